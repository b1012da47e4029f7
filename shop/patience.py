"""Clients that go quiet, or dribble, in the middle of a request do not keep the server's threads.

gunicorn has a thread wait for ever for the rest of a body, so that as many half-sent ones as there are
threads would stop the service. Here each body has to be there after a time, and of those that are slow in
coming only so many are waited for at once; the others are cut off sooner. Other servers have limits as well.
"""

import contextlib
import os
import socket
import threading
import time
from collections.abc import Callable, Iterable
from typing import Any

from shop.conf import conf

SLOW_AFTER_SECONDS = 1.0
LOOK_EVERY_SECONDS = 0.25
SLOWEST_BYTES_PER_SECOND = 50_000

Application = Callable[[dict[str, Any], Callable[..., Any]], Iterable[bytes]]


class CutOffError(OSError):
    """The client was given up in the middle of its body."""


class CrowdedError(CutOffError):
    """Others that are slow as well were there before it."""


def was_crowded_out(error: BaseException) -> bool:
    """Whether a CrowdedError stands behind what Django made of it."""
    behind: BaseException | None = error
    while behind is not None and not isinstance(behind, CrowdedError):
        behind = behind.__cause__
    return behind is not None


class Patient:
    """The WSGI application, its requests' bodies watched."""

    def __init__(self, application: Application) -> None:
        self._application = application

    def __call__(self, environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
        connection = environ.get("gunicorn.socket")
        if connection is not None:
            # For what is written, too: a client that does not read its answer.
            connection.settimeout(conf.client_patience_seconds)
            length = environ.get("CONTENT_LENGTH") or "0"
            if length.isdecimal() and length != "0":
                environ["wsgi.input"] = Body(environ["wsgi.input"], connection, int(length))
        return self._application(environ, start_response)


class Body:
    """A body as `wsgi.input` has it. Reading raises CutOffError once it took too long."""

    def __init__(self, stream: Any, connection: socket.socket, length: int) -> None:
        self._stream = stream
        self._connection = connection
        self._refusal: CutOffError | None = None
        self.began: float | None = None
        self.longest_seconds = conf.client_patience_seconds + length / SLOWEST_BYTES_PER_SECOND

    def read(self, size: int) -> bytes:
        return self._watched(self._stream.read, size)

    def readline(self, size: int) -> bytes:
        return self._watched(self._stream.readline, size)

    def cut_off(self, refusal: CutOffError) -> None:
        """Have whoever reads stop waiting; an answer can still be written."""
        self._refusal = refusal
        with contextlib.suppress(OSError):
            self._connection.shutdown(socket.SHUT_RD)

    def _watched(self, act: Callable[[int], bytes], size: int) -> bytes:
        if self.began is None:
            self.began = time.monotonic()
        _watch.waits_for(self)
        try:
            data = act(size)
        finally:
            _watch.has_heard(self)
        if self._refusal is not None:
            raise self._refusal
        return data


class Watch:
    """Looks now and then at the bodies that are waited for, from a thread of its own."""

    def __init__(self) -> None:
        self._guard = threading.Lock()
        # In the order in which their threads began to wait.
        self._bodies: dict[Body, None] = {}
        self._runs = False

    def waits_for(self, body: Body) -> None:
        with self._guard:
            self._bodies[body] = None
            if self._runs:
                return
            self._runs = True
        threading.Thread(target=self._run, name="patience", daemon=True).start()

    def has_heard(self, body: Body) -> None:
        with self._guard:
            self._bodies.pop(body, None)

    def look(self, now: float) -> None:
        """Cut off what took too long by `now`, on the monotonic clock."""
        with self._guard:
            waiting = [(now - body.began, body) for body in self._bodies if body.began is not None]
        slow = sorted((pair for pair in waiting if pair[0] > SLOW_AFTER_SECONDS), key=lambda pair: -pair[0])
        for place, (seconds, body) in enumerate(slow):
            if seconds > body.longest_seconds:
                body.cut_off(CutOffError("the body was too long in coming"))
            elif place >= conf.slow_clients_at_once:
                body.cut_off(CrowdedError("too many clients are slow at once"))

    def _run(self) -> None:
        while True:
            time.sleep(LOOK_EVERY_SECONDS)
            self.look(time.monotonic())


def _begin_anew() -> None:
    global _watch
    # The thread stays behind at a fork.
    _watch = Watch()


_begin_anew()
os.register_at_fork(after_in_child=_begin_anew)
