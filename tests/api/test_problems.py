"""One error shape for everything under /api (bars A1, A2, A16), and a page behind every type."""

import ast
from pathlib import Path

import pytest
from django.test import Client
from django.utils.html import escape

from api.problem_types import CODE_OF_STATUS, PROBLEM_TYPES
from api.sites import Me
from shop import errors
from tests.api.program import check_problem
from tests.api.writes import addresses, operations

ROOT = Path(__file__).resolve().parents[2]
SOME_ID = "0190b0a0-0000-7000-8000-000000000000"


def concrete(route):
    route = route.replace("<uuid:id>", SOME_ID).replace("<slug:code>", "d29")
    return "/api/v1" + route.replace("<slug:kind>", "stock").replace("<slug:currency>", "SEK")


ROUTES = sorted({concrete(route) for route, _ in addresses()})
METHODS = ("GET", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "PROPFIND")
STRANGE = ["/api", "/api/", "/api/v1", "/api/v1/", "/api/v2/plans", "/api/v1/plans/", "/api/v1/nothing"]


@pytest.fixture
def anybody(db):
    return Client(raise_request_exception=False)


@pytest.fixture
def key(calculator):
    return {"Authorization": f"Bearer {calculator.text}"}


@pytest.mark.parametrize("route", [*ROUTES, *STRANGE])
def test_no_error_is_anything_but_a_problem(anybody, key, route):
    """The crawl of bar A1: {no auth, bad auth, bad body, bad method, bad type, bad accept}.

    The methods that an address of ours does not take have a test of their own.
    """
    bad_key = {"Authorization": "Bearer cg_wrong"}
    idempotent = {"Idempotency-Key": "k", "If-Match": "*"}
    answers = [
        anybody.get(route),
        anybody.get(route, headers=bad_key),
        anybody.get(route, headers=key | {"Accept": "text/html"}),
        anybody.post(route, data=b"{", content_type="application/json", headers=key | idempotent),
        anybody.post(route, data=b"{}", content_type="application/json"),
        anybody.post(route, data={"a": "b"}, headers=key | idempotent),
        anybody.post(route, data=b"<a/>", content_type="text/xml", headers=key | idempotent),
        anybody.patch(route, data=b"{}", content_type="application/json", headers=key),
        anybody.get(route, headers=key, SERVER_NAME="elsewhere.example"),
    ]
    if route in STRANGE:
        answers += [anybody.generic(method, route, headers=key) for method in METHODS]
    refused = [answer for answer in answers if answer.status_code >= 400]
    assert len(refused) >= len(answers) - 2
    for answer in refused:
        assert answer.status_code < 500
        check_whole(answer)


def check_whole(answer):
    check_problem(answer)
    assert answer["Cache-Control"] == "no-store"


@pytest.mark.parametrize("route", ROUTES)
def test_other_methods_are_405_and_named_in_allow(anybody, key, route):
    here = {method.upper() for method, path, _ in operations() if concrete(path) == route}
    here |= {"HEAD"} if "GET" in here else set()
    for method in METHODS:
        if method not in here:
            answer = anybody.generic(method, route, headers=key)
            assert answer.status_code == 405, method
            assert set(answer["Allow"].split(", ")) == here
            check_whole(answer)


def test_html_is_not_acceptable(anybody, key):
    for accept, status in (
        ("text/html", 406),
        ("image/png, text/html;q=0.9", 406),
        ("text/html, */*;q=0.1", 200),
        ("application/json", 200),
        ("application/*", 200),
    ):
        assert anybody.get("/api/v1/me", headers=key | {"Accept": accept}).status_code == status, accept


def test_a_foreign_host_is_400(anybody, key):
    answer = anybody.get("/api/v1/me", headers=key, SERVER_NAME="elsewhere.example")
    assert answer.status_code == 400
    check_problem(answer)


def test_a_mistake_of_ours_is_500_and_says_nothing(anybody, key, monkeypatch, caplog):
    def broken(self, call):
        raise RuntimeError("secret 4711")

    monkeypatch.setattr(Me, "represent", broken)
    answer = anybody.get("/api/v1/me", headers=key)
    assert answer.status_code == 500
    check_problem(answer)
    assert answer.json()["type"] == "/api/problems/internal"
    assert "4711" not in answer.content.decode()
    assert any("4711" in str(record.exc_info) for record in caplog.records if record.exc_info)
    assert answer.json()["instance"] == answer["X-Request-ID"]


def test_the_request_id_is_in_the_body_in_the_header_and_in_the_log(anybody, key, caplog):
    caplog.set_level("INFO")
    answer = anybody.get("/api/v1/jobs/" + SOME_ID, headers=key | {"X-Request-ID": "trace-me-please"})
    assert answer.json()["instance"] == answer["X-Request-ID"] == "trace-me-please"
    assert any("trace-me-please" in str(record.msg) for record in caplog.records)


def test_plain_http_is_refused_where_https_is_served(anybody, key, settings):
    settings.SECURE_SSL_REDIRECT = True
    answer = anybody.get("/api/v1/me", headers=key)
    assert answer.status_code == 403
    check_problem(answer)
    assert answer.json()["type"] == "/api/problems/https-required"
    assert anybody.get("/api/v1/me", headers=key, secure=True).status_code == 200


class TestTypes:
    def test_every_type_has_a_public_page(self, anybody):
        for kind in PROBLEM_TYPES.values():
            page = anybody.get(kind.address)
            assert page.status_code == 200
            assert escape(kind.title) in page.content.decode()
        assert anybody.get("/api/problems").status_code == 200
        missing = anybody.get("/api/problems/no-such-type")
        assert missing.status_code == 404
        check_problem(missing)

    def test_every_code_that_the_source_names_is_in_the_table(self):
        """The list is closed: a new refusal gets its page before it is ever answered."""
        named = set(_codes_in_source())
        assert {"not-enough", "bay-taken", "vehicle-known", "plan-stale"} <= named
        assert named - set(PROBLEM_TYPES) == set()

    def test_every_type_is_raised_somewhere(self):
        source = "\n".join(
            path.read_text() for package in ("api", "jobs", "inventory", "shop") for path in _sources(package)
        )
        for code in PROBLEM_TYPES:
            assert f'"{code}"' in source, code

    def test_every_status_has_a_type(self):
        for status, code in CODE_OF_STATUS.items():
            assert PROBLEM_TYPES[code].status == status


def _sources(package):
    return [path for path in (ROOT / package).rglob("*.py") if "migrations" not in path.parts]


def _codes_in_source():
    """Codes given to refusals: `code = "…"` in a class that is one, and `code="…"` where one is raised."""
    for package in ("api", "jobs", "inventory", "shop"):
        for path in _sources(package):
            for node in ast.walk(ast.parse(path.read_text())):
                if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call):
                    for keyword in node.exc.keywords:
                        if keyword.arg == "code" and isinstance(keyword.value, ast.Constant):
                            yield keyword.value.value
                if isinstance(node, ast.ClassDef) and _is_refusal(node):
                    for item in node.body:
                        if isinstance(item, ast.Assign) and getattr(item.targets[0], "id", "") == "code":
                            yield item.value.value


def _is_refusal(node):
    names = {name for name in dir(errors) if isinstance(getattr(errors, name), type)}
    return node.name in names or any(getattr(base, "id", "") in names for base in node.bases)
