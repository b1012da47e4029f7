"""Clients that stop in the middle of a request, or dribble, do not keep the server from others."""

import contextlib
import http.client
import json
import socket
import time

import pytest

from tests.concurrency.over_http import serving
from tests.concurrency.workers import service_environment

THREADS, PATIENCE_SECONDS = 3, 3
BODY = b'{"valves": []}'


@pytest.fixture(autouse=True)
def committing(transactional_db):
    """The server's processes see only what is really committed."""


@pytest.fixture
def web(world, tmp_path):
    environment = service_environment() | {
        "COLDGAP_CLIENT_PATIENCE_SECONDS": str(PATIENCE_SECONDS),
        "COLDGAP_SLOW_CLIENTS_AT_ONCE": "1",
    }
    with serving(tmp_path, environment, workers=1, threads=THREADS) as server:
        yield server


@pytest.fixture
def begin(web, world):
    """Send a plan's head and this much of its body, and leave it at that."""
    head = (
        "POST /api/v1/plans HTTP/1.1\r\nHost: 127.0.0.1\r\n"
        f"Authorization: Bearer {world.program.text}\r\n"
        f"Content-Type: application/json\r\nContent-Length: {len(BODY)}\r\n\r\n"
    )
    with contextlib.ExitStack() as stack:

        def begun(body):
            made = stack.enter_context(socket.create_connection(("127.0.0.1", web.port), timeout=20))
            made.sendall(head.encode() + body)
            return made

        yield begun


def answer_to(connection):
    """Its status and the problem's name."""
    heard = http.client.HTTPResponse(connection, method="POST")
    heard.begin()
    return heard.status, json.load(heard)["type"].removeprefix("/api/problems/")


def test_who_stops_in_the_middle_does_not_stop_others(web, begin):
    quiet = [begin(BODY[:8]) for _ in range(2 * THREADS)]
    began = time.monotonic()
    assert web.get("/readyz")[0] == 200
    assert time.monotonic() - began < PATIENCE_SECONDS + 3
    answers = [answer_to(one) for one in quiet]
    assert answers.count((503, "busy")) >= len(quiet) // 2
    assert set(answers) == {(400, "bad-request"), (503, "busy")}


def test_who_dribbles_is_cut_off_as_well(begin):
    dribbling = begin(b"")
    began = time.monotonic()
    with contextlib.suppress(OSError):
        for place in range(len(BODY) - 1):
            dribbling.sendall(BODY[place : place + 1])
            time.sleep(0.4)
    assert answer_to(dribbling) == (400, "bad-request")
    assert time.monotonic() - began >= PATIENCE_SECONDS


def test_who_is_a_little_slow_is_waited_for(begin):
    slow = begin(BODY[:5])
    time.sleep(1.5)
    slow.sendall(BODY[5:])
    assert answer_to(slow) == (400, "invalid")  # it was read, and names no valve
