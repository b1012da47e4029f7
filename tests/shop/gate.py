"""A web application that answers when it is told to: gunicorn's `tests.shop.gate:application`.

/pid, /readyz: the number of the process, at once. /gate: connects to the port of COLDGAP_TEST_GATE, says the
number of its process there, and answers it once the other side has hung up. /slow: the number, after a
moment. /large: many bytes. /hands: what the worker holds just now, this request among it; for that the module
is gunicorn's configuration as well.
"""

import json
import os
import socket
import time

PORT = "COLDGAP_TEST_GATE"
LARGE = bytes(range(256)) * 2**15
LONGEST_SECONDS = 30
# Long enough for a few that ask again and again to keep each thread busy.
SLOW_SECONDS = 0.02
HEAD_SECONDS = 1.5
_workers = []


def post_fork(_arbiter, worker):
    worker.longest_head_seconds = HEAD_SECONDS
    _workers.append(worker)


def application(environ, start_response):
    body = ANSWERS[environ["PATH_INFO"]]()
    start_response("200 OK", [("Content-Length", str(len(body)))])
    return [body]


def pid():
    return str(os.getpid()).encode()


def gate():
    with socket.create_connection(("127.0.0.1", int(os.environ[PORT])), timeout=LONGEST_SECONDS) as told:
        told.sendall(pid())
        told.recv(1)
    return pid()


def slow():
    time.sleep(SLOW_SECONDS)
    return pid()


def hands():
    (worker,) = _workers
    return json.dumps(
        {
            "connections": worker.nr_conns,
            "in hand": worker._in_hand,
            "leaving": len(worker._leaving),
        }
    ).encode()


ANSWERS = {
    "/pid": pid,
    "/readyz": pid,
    "/gate": gate,
    "/slow": slow,
    "/hands": hands,
    "/large": lambda: LARGE,
}
