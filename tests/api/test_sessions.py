"""The pages' log-in on the API: CSRF for writes, none of it beside a key."""

import json

import pytest
from django.middleware.csrf import get_token
from django.test import Client, RequestFactory
from django.test.client import BOUNDARY, encode_multipart

from tests.api.program import check_problem
from tests.api.table_writes import table


@pytest.fixture
def browser(manager):
    client = Client(enforce_csrf_checks=True, raise_request_exception=False)
    client.force_login(manager)
    return client


@pytest.fixture
def token(browser):
    request = RequestFactory().get("/")
    value = get_token(request)
    browser.cookies["csrf"] = request.META["CSRF_COOKIE"]
    return value


def post(client, body, **headers):
    return client.post(
        "/api/v1/vehicles",
        data=json.dumps(body),
        content_type="application/json",
        headers={"Idempotency-Key": "k"} | headers,
    )


def body(world):
    return {"registration": "S 1", "description": "tourer", "engine_type": world.shop.engine.code}


def test_a_person_reads_with_the_log_in_of_the_pages(browser, world):
    me = browser.get("/api/v1/me").json()
    assert me["user"] == "Mara Quist"
    assert me["key"] is None
    assert me["scopes"] is None
    assert browser.get("/api/v1/stock").json()["items"]


def test_a_write_without_csrf_token_is_403(browser, world):
    response = post(browser, body(world))
    assert response.status_code == 403
    check_problem(response)
    assert response.json()["type"] == "/api/problems/csrf"


def test_a_write_with_csrf_token_is_done_in_the_persons_name(browser, token, world):
    response = post(browser, body(world), **{"X-CSRFToken": token})
    assert response.status_code == 201, response.content
    again = post(browser, body(world), **{"X-CSRFToken": token})
    assert again.content == response.content
    assert again["Idempotency-Replayed"] == "true"


def test_another_persons_same_key_is_another_key(browser, token, world, technician):
    first = post(browser, body(world), **{"X-CSRFToken": token})
    browser.force_login(technician)
    second = post(browser, body(world), **{"X-CSRFToken": token})
    assert first.status_code == 201
    assert second.status_code == 409  # the registration is known, and that is said anew
    assert "Idempotency-Replayed" not in second


def test_a_log_out_ends_it(browser, world):
    browser.logout()
    response = browser.get("/api/v1/me")
    assert response.status_code == 401
    check_problem(response)


def test_a_person_who_may_no_longer_log_in_is_out(browser, manager):
    manager.is_active = False
    manager.save()
    assert browser.get("/api/v1/me").status_code == 401


def test_beside_a_bad_key_the_log_in_does_not_count(browser):
    response = browser.get("/api/v1/me", headers={"Authorization": "Bearer cg_wrong"})
    assert response.status_code == 401
    check_problem(response)


def test_beside_a_good_key_the_log_in_does_not_count(browser, stranger):
    me = browser.get("/api/v1/me", headers={"Authorization": f"Bearer {stranger.text}"}).json()
    assert me["user"] == "Odo Brandt"


def test_a_file_is_sent_with_the_token_in_the_header(browser, token, world):
    """In the form it is a part like any other that is not known."""

    def send(more=None, **headers):
        return browser.post(
            "/api/v1/imports",
            data=encode_multipart(BOUNDARY, table(world) | (more or {})),
            content_type=f"multipart/form-data; boundary={BOUNDARY}",
            headers={"Idempotency-Key": "k"} | headers,
        )

    assert send().status_code == 403
    assert send({"csrfmiddlewaretoken": token}).status_code == 400
    response = send(**{"X-CSRFToken": token})
    assert response.status_code == 201, response.content
    assert response.json()["file_name"] == "drawers.csv"
