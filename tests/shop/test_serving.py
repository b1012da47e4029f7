"""What gunicorn refuses before Django sees it (bar A1)."""

import json
import logging
import socket

import pytest
from gunicorn.http.errors import InvalidHeader, InvalidRequestLine, LimitRequestHeaders, LimitRequestLine

from api.problem_types import PROBLEM_TYPES
from shop.serving import Worker


@pytest.mark.parametrize(
    ("why", "code", "said"),
    [
        (LimitRequestLine(9_000, 4_094), "bad-request", "too long"),
        (LimitRequestHeaders("limit request headers fields size"), "bad-request", "too long"),
        (InvalidRequestLine("GET /api/v1/\xff <script> HTTP/1.1"), "bad-request", "HTTP/1.1"),
        (InvalidHeader("X\0"), "bad-request", "headers"),
        (RuntimeError("secret"), "internal", "inside"),
    ],
)
def test_is_a_problem_document_that_says_nothing_back(why, code, said):
    ours, theirs = socket.socketpair()
    worker = Worker.__new__(Worker)
    worker.log = logging.getLogger("gunicorn.test")
    with ours, theirs:
        worker.handle_error(None, ours, ("127.0.0.1", 1), why)
        ours.shutdown(socket.SHUT_WR)
        head, _, body = theirs.makefile("rb").read().partition(b"\r\n\r\n")
    lines = head.decode().split("\r\n")
    headers = dict(line.split(": ", 1) for line in lines[1:])
    kind, problem = PROBLEM_TYPES[code], json.loads(body)
    assert lines[0].split(" ")[1] == str(kind.status) == str(problem["status"])
    assert (problem["type"], problem["title"]) == (kind.address, kind.title)
    assert said in problem["detail"]
    assert "secret" not in body.decode()
    assert "script" not in body.decode()
    assert headers["Content-Type"] == "application/problem+json"
    assert int(headers["Content-Length"]) == len(body)
    assert headers["X-Request-ID"] == problem["instance"]
