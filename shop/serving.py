"""gunicorn's worker of the shop: what it refuses itself, before Django sees it, is a problem document too.

    gunicorn shop.wsgi --worker-class shop.serving.Worker …

Such are a request line or headers that are too long or no HTTP. gunicorn's own answer is a page of HTML that
says back what was sent; a program that parses each refusal by RFC 9457 (bar A1) would stumble over it.
"""

import contextlib
import gc
import itertools
import json
import selectors
import socket
import ssl
import time
from concurrent.futures import Future
from functools import partial
from http import HTTPStatus
from typing import Any

from gunicorn.http.errors import LimitRequestHeaders, LimitRequestLine
from gunicorn.workers.gthread import TConn, ThreadWorker

from shop.ids import new_id

LONGEST_FAREWELL_SECONDS = 2.0
# Another worker with a free thread needs less.
LONGEST_SHUT_SECONDS = 0.05
MOST_DRAINED_BYTES = 2**16
# With the five that gunicorn gives a new client to say anything at all; common practice, no source.
LONGEST_HEAD_SECONDS = 10.0
_TOO_LONG = "The address or the headers of this request are too long to be read."
_NO_HTTP = "This is no request by HTTP/1.1: check its first line and its headers."
_BROKEN = "Something went wrong inside; nothing was changed."


class Worker(ThreadWorker):
    """Threads, as gunicorn has them, but nobody waits for a worker that is busy while another is not, nor
    for a client who does not hang up.

    A worker takes no more connections than it has threads for: the next goes to who has a free one. Those
    that it keeps open may keep all of its threads busy and have requests wait besides; then it takes one new
    connection now and then all the same, or nobody else would ever get in. A worker that ends takes those
    that wait already: with the last worker they would be gone.

    A connection that is not kept open is ended in two steps, so that the client gets the whole answer: first
    our side, then all of it when the client has ended its own, or after `LONGEST_FAREWELL_SECONDS`. gunicorn
    waits for that in the one thread that takes new connections, so that who asks for `Connection: close` and
    stays would stop a worker for two seconds each time.

    Nor does a thread wait for ever for the rest of a request's head: as many half-sent ones as there are
    threads would stop the worker. Of bodies `patience.py` takes care.
    """

    longest_head_seconds = LONGEST_HEAD_SECONDS

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        # Those that wait for their clients to hang up, and until when on the monotonic clock; oldest first.
        self._leaving: dict[TConn, float] = {}
        # Requests that have a thread or wait for one.
        self._in_hand = 0
        self._last_taken = 0.0
        # Those whose request's head is waited for, and since when on the monotonic clock.
        self._heads: dict[TConn, float] = {}

    def run(self) -> None:
        # What is loaded by now stays; to look through all of it for garbage stopped every thread for 130 ms.
        gc.collect()
        gc.freeze()
        super().run()

    def set_accept_enabled(self, enabled: bool) -> None:
        super().set_accept_enabled(enabled and self._in_hand < self.cfg.threads)
        if not self.alive:
            for listener in self.sockets:
                while self._take(listener):
                    pass

    def accept(self, listener: socket.socket) -> None:
        # Another connection of the same look may have had the last thread.
        if self._accepting:
            self._take(listener)

    def _take(self, listener: socket.socket) -> bool:
        """Whether somebody waited there and there was room."""
        before = self.nr_conns
        if before < self.worker_connections:
            super().accept(listener)
        if self.nr_conns == before:
            return False
        self._last_taken = time.monotonic()
        return True

    def enqueue_req(self, conn: TConn) -> None:
        super().enqueue_req(conn)
        self._in_hand += 1
        if self._in_hand >= self.cfg.threads:
            super().set_accept_enabled(False)

    def handle(self, conn: TConn) -> Any:
        self._heads[conn] = time.monotonic()
        try:
            return super().handle(conn)
        finally:
            self._heads.pop(conn, None)

    def handle_request(self, req: Any, conn: TConn) -> Any:
        self._heads.pop(conn, None)
        return super().handle_request(req, conn)

    def finish_request(self, conn: TConn, fs: Future[Any]) -> None:
        self._in_hand -= 1
        if fs.cancelled() or fs.exception() is not None or fs.result() is not False:
            super().finish_request(conn, fs)
        else:
            self._take_leave(conn)
        waited = time.monotonic() - self._last_taken
        if self.alive and not self._accepting and waited >= LONGEST_SHUT_SECONDS:
            for listener in self.sockets:
                self._take(listener)

    def _take_leave(self, conn: TConn) -> None:
        try:
            conn.sock.setblocking(False)
            conn.sock.shutdown(socket.SHUT_WR)
            if not _has_hung_up(conn):
                self.poller.register(
                    conn.sock, selectors.EVENT_READ, partial(self._on_leaving_readable, conn)
                )
                self._leaving[conn] = time.monotonic() + LONGEST_FAREWELL_SECONDS
                return
        except (OSError, KeyError, ValueError):
            # What is reset, or was closed by the application, has nobody to wait for.
            pass
        self._close(conn)

    def wait_for_and_dispatch_events(self, timeout: float) -> None:
        for until in itertools.islice(self._leaving.values(), 1):
            timeout = min(timeout, max(until - time.monotonic(), 0.0))
        super().wait_for_and_dispatch_events(timeout)

    def murder_pending(self) -> None:
        super().murder_pending()
        now = time.monotonic()
        for conn in list(itertools.takewhile(lambda one: self._leaving[one] <= now, self._leaving)):
            self._see_off(conn)
        for conn, since in list(self._heads.items()):
            # Its thread hears that the client has ended, and closes.
            if now - since > self.longest_head_seconds and conn in self._heads:
                with contextlib.suppress(OSError):
                    conn.sock.shutdown(socket.SHUT_RD)

    def _on_leaving_readable(self, conn: TConn, _client: socket.socket) -> None:
        if _has_hung_up(conn):
            self._see_off(conn)

    def _see_off(self, conn: TConn) -> None:
        del self._leaving[conn]
        self.poller.unregister(conn.sock)
        self._close(conn)

    def _close(self, conn: TConn) -> None:
        self.nr_conns -= 1
        conn.close()

    def handle_error(self, req: Any, client: Any, addr: Any, exc: BaseException) -> None:
        super().handle_error(req, _Answering(client, exc), addr, exc)


def _has_hung_up(conn: TConn) -> bool:
    """Reads away what a client still sends; also true of one who sends a lot."""
    try:
        return len(conn.sock.recv(MOST_DRAINED_BYTES)) in (0, MOST_DRAINED_BYTES)
    except (BlockingIOError, ssl.SSLWantReadError):
        return False
    except OSError:
        return True


class _Answering:
    """The connection to a client, on which gunicorn's page is replaced by a problem document."""

    def __init__(self, client: Any, why: BaseException) -> None:
        self._client, self._why = client, why

    def __getattr__(self, name: str) -> Any:
        return getattr(self._client, name)

    def sendall(self, page: bytes) -> None:
        head = page.split(b" ", 2)
        broken = len(head) < 2 or head[1] == b"500"
        self._client.sendall(_problem(self._why, broken=broken))


def _problem(why: BaseException, *, broken: bool) -> bytes:
    status = HTTPStatus.INTERNAL_SERVER_ERROR if broken else HTTPStatus.BAD_REQUEST
    too_long = isinstance(why, LimitRequestLine | LimitRequestHeaders)
    request_id = str(new_id())
    body = json.dumps(
        {
            # The types of api/problem_types.toml, which this layer does not import.
            "type": f"/api/problems/{'internal' if broken else 'bad-request'}",
            "title": "Something went wrong inside" if broken else "Bad request",
            "status": int(status),
            "detail": _BROKEN if broken else _TOO_LONG if too_long else _NO_HTTP,
            "instance": request_id,
        }
    ).encode()
    head = (
        f"HTTP/1.1 {int(status)} {status.phrase}\r\n"
        "Connection: close\r\n"
        "Content-Type: application/problem+json\r\n"
        f"Content-Length: {len(body)}\r\n"
        "Cache-Control: no-store\r\n"
        "X-Content-Type-Options: nosniff\r\n"
        f"X-Request-ID: {request_id}\r\n\r\n"
    )
    return head.encode() + body
