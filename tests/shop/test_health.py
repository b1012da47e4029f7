"""Bar A17: alive and ready, at once, without secrets; a broker that is down only makes work wait."""

import logging
import time

import pytest
from django.db import connection
from django.db.utils import OperationalError

from shop import health


@pytest.fixture(autouse=True)
def nothing_known(monkeypatch):
    """Each test asks anew."""
    monkeypatch.setattr(health, "_migrated", False)
    monkeypatch.setattr(health, "_broker", health._Broker())


def fastest(client, address, *, before=lambda: None):
    """Seconds of the fastest of five, so that a machine busy with something else does not decide."""
    taken = []
    for _ in range(5):
        before()
        began = time.perf_counter()
        assert client.get(address).status_code == 200
        taken.append(time.perf_counter() - began)
    return min(taken)


def test_alive_needs_no_database_and_no_log_in(client):
    answer = client.get("/healthz")
    assert (answer.status_code, answer.json()) == (200, {"status": "alive"})
    assert answer["Cache-Control"] == "no-store"


@pytest.mark.django_db
def test_ready_when_the_database_is_there_and_migrated(client):
    answer = client.get("/readyz")
    assert answer.json() == {"status": "ready", "database": "ok", "broker": "none"}
    assert fastest(client, "/readyz") < 0.05


@pytest.mark.owner
@pytest.mark.django_db
def test_not_ready_before_it_is_migrated(client):
    with connection.cursor() as cursor:
        cursor.execute("DELETE FROM django_migrations WHERE app = 'inventory'")
    answer = client.get("/readyz")
    assert (answer.status_code, answer["Retry-After"]) == (503, "2")
    assert answer["Content-Type"] == "application/problem+json"
    assert "manage.py migrate" in answer.json()["detail"]


@pytest.mark.django_db
def test_not_ready_when_the_database_is_away_and_no_word_about_where_it_was(client):
    def away(execute, *_):
        raise OperationalError("connection to server at 10.0.0.7, user coldgap_app failed")

    with connection.execute_wrapper(away):
        answer = client.get("/readyz")
    assert answer.status_code == 503
    assert answer.json()["detail"] == "the database cannot be reached"
    assert b"10.0.0.7" not in answer.content


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_not_ready_when_the_database_only_reads(client):
    with connection.cursor() as cursor:
        cursor.execute("SET default_transaction_read_only = on")
    try:
        assert client.get("/readyz").json()["detail"] == "the database is read-only"
    finally:
        connection.close()


@pytest.mark.django_db
@pytest.mark.parametrize("refused", [True, False])
def test_a_broker_that_is_down_is_said_and_no_reason_to_be_unready(client, settings, refused, silent_port):
    settings.REDIS_URL = f"redis://127.0.0.1:{1 if refused else silent_port}/0"
    answer = client.get("/readyz")
    assert (answer.status_code, answer.json()["broker"]) == (200, "down")
    assert fastest(client, "/readyz", before=lambda: setattr(health._broker, "_asked_at", 0.0)) < 0.1


@pytest.mark.redis
@pytest.mark.django_db
def test_a_broker_that_answers_is_up(client, settings, valkey):
    settings.REDIS_URL = valkey.url
    assert client.get("/readyz").json()["broker"] == "up"


@pytest.mark.parametrize("address", ["/healthz", "/readyz"])
def test_they_only_answer_reading(client, address):
    for method in ("post", "put", "delete", "trace"):
        answer = getattr(client, method)(address)
        assert (answer.status_code, answer["Allow"]) == (405, "GET, HEAD")


# --- The request's id and its line in the log ------------------------------------------------------------


def line_of(caplog):
    (record,) = [record for record in caplog.records if record.name == "coldgap.request"]
    return record.msg


def test_every_answer_and_its_line_carry_one_id(client, caplog):
    caplog.set_level(logging.INFO, logger="coldgap.request")
    answer = client.get("/healthz?token=secret")
    line = line_of(caplog)
    assert answer["X-Request-ID"] == line["request_id"]
    assert (line["method"], line["path"], line["status"]) == ("GET", "/healthz", 200)
    assert "secret" not in str(line)


def test_a_callers_own_id_is_kept_and_a_forged_line_is_not(client, caplog):
    caplog.set_level(logging.INFO, logger="coldgap.request")
    assert client.get("/healthz", headers={"X-Request-ID": "caller-0815"})["X-Request-ID"] == "caller-0815"
    caplog.clear()
    forged = 'x" , "event": "paid'
    assert client.get("/healthz", headers={"X-Request-ID": forged})["X-Request-ID"] != forged
    assert "paid" not in str(line_of(caplog))
