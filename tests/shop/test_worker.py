"""How the worker deals out its threads and takes leave of its clients, in processes of its own (bar F18)."""

import contextlib
import http.client
import json
import os
import signal
import socket
import struct
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from shop.serving import LONGEST_FAREWELL_SECONDS
from tests.servers.children import wait_until
from tests.servers.web import WebServer
from tests.shop.gate import HEAD_SECONDS, LARGE, PORT

THREADS = 2
PATIENCE_SECONDS = 5
# Who waits for one that stays on the line waits for as long as that one may: nobody who is answered in less.
AT_ONCE_SECONDS = LONGEST_FAREWELL_SECONDS
NOBODY = {"connections": 0, "in hand": 0, "leaving": 0}
KEPT_OPEN = ("--keep-alive", "60", "--config", "python:tests.shop.gate")
HANG_UP_HARD = struct.pack("ii", 1, 0)


class Server:
    """gunicorn with the application of gate.py, and what that waits for."""

    def __init__(self, folder, stack, workers, threads):
        self._stack = stack
        self.gate = stack.enter_context(socket.create_server(("127.0.0.1", 0)))
        self.gate.settimeout(PATIENCE_SECONDS)
        self.web = WebServer(
            log=folder / "web.log",
            environment={"PATH": os.environ["PATH"], PORT: str(self.gate.getsockname()[1])},
            workers=workers,
            threads=threads,
            words=KEPT_OPEN,
            application="tests.shop.gate:application",
        )
        stack.callback(self.web.child.kill)
        self.web.wait_ready()

    def connect(self):
        made = socket.create_connection(("127.0.0.1", self.web.port), timeout=PATIENCE_SECONDS)
        return self._stack.enter_context(made)

    def ask(self, path, *, close=True):
        """A connection on which the request was sent."""
        made = self.connect()
        ask_on(made, path, close=close)
        return made

    def come_to_the_gate(self):
        """Wait until a request is being worked on: the process that has it, and what lets it go on."""
        told = self._stack.enter_context(self.gate.accept()[0])
        told.settimeout(PATIENCE_SECONDS)
        return int(told.recv(100)), told

    def hands(self):
        """What the worker holds besides this question."""
        with self.ask("/hands") as asked:
            held = json.loads(answer_on(asked))
        return {name: number - (name != "leaving") for name, number in held.items()}


def ask_on(connection, path, *, close=True):
    how = "close" if close else "keep-alive"
    connection.sendall(f"GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: {how}\r\n\r\n".encode())


def answer_on(connection):
    with contextlib.closing(http.client.HTTPResponse(connection, method="GET")) as heard:
        heard.begin()
        assert heard.status == 200
        return heard.read()


@pytest.fixture
def serve(tmp_path):
    with contextlib.ExitStack() as stack:
        yield lambda workers=1, threads=THREADS: Server(tmp_path, stack, workers, threads)


def test_who_can_work_takes_the_next(serve):
    server = serve(workers=2, threads=1)
    for _ in range(20):
        waiting = server.ask("/gate")
        busy, told = server.come_to_the_gate()
        assert int(answer_on(server.ask("/pid"))) != busy
        told.close()
        assert int(answer_on(waiting)) == busy


def test_nobody_waits_for_those_who_stay_on_the_line(serve):
    server = serve()
    began = time.monotonic()
    staying = [server.ask("/pid") for _ in range(3 * THREADS)]
    for one in staying:
        answer_on(one)
    with server.ask("/pid") as another:
        assert answer_on(another)
    assert time.monotonic() - began < AT_ONCE_SECONDS
    all_stay = {"connections": len(staying), "in hand": 0, "leaving": len(staying)}
    wait_until(lambda: server.hands() == all_stay, seconds=PATIENCE_SECONDS, what="all of them to be left")
    rest = began + LONGEST_FAREWELL_SECONDS + 1.5 - time.monotonic()
    wait_until(lambda: server.hands() == NOBODY, seconds=rest, what="them to be hung up on")


def test_who_goes_on_sending_is_hung_up_on(serve):
    client = serve().ask("/pid")
    answer_on(client)
    began = time.monotonic()
    with pytest.raises(ConnectionError):
        client.sendall(bytes(2**26))
    assert time.monotonic() - began < AT_ONCE_SECONDS


def test_who_stops_in_the_middle_of_a_head_does_not_stop_others(serve):
    """Neither on a new connection nor on one that was kept open."""
    server = serve()
    begun = [server.ask("/pid", close=False) for _ in range(THREADS)]
    for one in begun:
        answer_on(one)
    begun += [server.connect() for _ in range(THREADS)]
    for one in begun:
        one.sendall(b"GET /pid HTTP/1.1\r\nHost: local")
    with server.connect() as another:
        another.settimeout(2 * (HEAD_SECONDS + 1.5) + PATIENCE_SECONDS)
        ask_on(another, "/pid")
        assert answer_on(another)
    wait_until(lambda: server.hands() == NOBODY, seconds=PATIENCE_SECONDS, what="them to be hung up on")


def test_a_slow_reader_gets_the_whole_answer(serve):
    """Also when it says more meanwhile: to close on what was not read would throw away what was not sent."""
    server = serve()
    with socket.socket() as client:
        client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2**16)
        client.settimeout(PATIENCE_SECONDS)
        client.connect(("127.0.0.1", server.web.port))
        ask_on(client, "/large")
        heard = client.recv(2**14)
        client.sendall(b"more")
        while len(heard) < len(LARGE) - 2**18:
            heard += client.recv(2**14)
        wait_until(
            lambda: server.hands() == NOBODY,
            seconds=LONGEST_FAREWELL_SECONDS + PATIENCE_SECONDS,
            what="the server to have closed",
        )
        while more := client.recv(2**14):
            heard += more
    assert heard.partition(b"\r\n\r\n")[2] == LARGE


def test_more_than_there_are_threads_are_answered_and_nothing_is_left(serve):
    server = serve()
    clients = [server.ask("/gate", close=bool(n % 2)) for n in range(4 * THREADS)]
    for _ in clients:
        server.come_to_the_gate()[1].close()
    for client in clients:
        answer_on(client)
    kept = clients[::2]
    for _ in range(3):
        for client in kept:
            ask_on(client, "/pid", close=False)
        for client in kept:
            answer_on(client)
    for client in clients:
        client.close()
    wait_until(lambda: server.hands() == NOBODY, seconds=PATIENCE_SECONDS, what="nothing to be left")


def test_however_a_client_goes_nothing_is_left(serve):
    server = serve()
    with server.ask("/pid") as asked:
        worker = answer_on(asked)
    for close in (True, False):
        before_its_answer = server.ask("/gate", close=close)
        _, told = server.come_to_the_gate()
        before_its_answer.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, HANG_UP_HARD)
        before_its_answer.close()
        told.close()

        after_its_answer = server.ask("/pid", close=close)
        answer_on(after_its_answer)
        after_its_answer.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, HANG_UP_HARD)
        after_its_answer.close()

        half = server.ask("/pid", close=close)
        half.shutdown(socket.SHUT_WR)
        assert answer_on(half)

        one_after_the_other = server.ask("/pid", close=False)
        ask_on(one_after_the_other, "/pid", close=close)
        assert answer_on(one_after_the_other)
        one_after_the_other.close()

        in_the_middle = server.connect()
        in_the_middle.sendall(b"GET /pid HT")
        in_the_middle.close()
        server.connect().close()
    with server.ask("/pid") as asked:
        # A worker that fell over would be replaced by one that has nothing.
        assert answer_on(asked) == worker
    wait_until(lambda: server.hands() == NOBODY, seconds=PATIENCE_SECONDS, what="nothing to be left")


def test_those_who_are_kept_do_not_keep_others_out(serve):
    server = serve()
    end = threading.Event()

    def ask_again_and_again(client):
        answer_on(client)
        while not end.is_set():
            ask_on(client, "/slow", close=False)
            answer_on(client)

    clients = [server.ask("/slow", close=False) for _ in range(4 * THREADS)]
    with ThreadPoolExecutor(len(clients)) as pool:
        asking = [pool.submit(ask_again_and_again, client) for client in clients]
        try:
            for _ in range(3):
                began = time.monotonic()
                assert answer_on(server.ask("/pid"))
                assert time.monotonic() - began < AT_ONCE_SECONDS
        finally:
            end.set()
        for one in asking:
            one.result()


def told_to_end(server):
    """Once this returns the worker has been told as well, or is just being."""
    server.web.child.signal(signal.SIGTERM)
    wait_until(lambda: "Handling signal: term" in server.web.child.tail(), seconds=2, what="the signal")


def test_a_restart_fails_nobody(serve):
    server = serve()
    before = answer_on(server.ask("/pid"))

    def ask_until_replaced(_):
        answer = before
        while answer == before:
            with server.ask("/slow") as asked:
                answer = answer_on(asked)

    with ThreadPoolExecutor(4 * THREADS) as pool:
        asking = pool.map(ask_until_replaced, range(4 * THREADS))
        server.web.child.signal(signal.SIGHUP)
        list(asking)


def test_whoever_came_before_the_end_is_answered(serve):
    server = serve()
    clients = [server.ask("/gate") for _ in range(3 * THREADS)]
    first = [server.come_to_the_gate() for _ in range(THREADS)]
    told_to_end(server)
    for _, told in first:
        told.close()
    for _ in clients[THREADS:]:
        server.come_to_the_gate()[1].close()
    for client in clients:
        assert answer_on(client)


def test_an_end_does_not_wait_for_those_who_stay(serve):
    server = serve()
    working = server.ask("/gate")
    _, told = server.come_to_the_gate()
    for client in [server.ask("/pid", close=bool(n % 2)) for n in range(6)]:
        answer_on(client)
    told_to_end(server)
    began = time.monotonic()
    told.close()
    assert answer_on(working)
    assert server.web.child.process.wait(20) == 0
    assert time.monotonic() - began < LONGEST_FAREWELL_SECONDS + 1.5
