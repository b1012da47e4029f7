"""Serve on loopback with gunicorn inside this process: one worker with threads, background work beside it."""

import contextlib
import ctypes
import errno
import fcntl
import os
import signal
import socket
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from django.db import connections
from gunicorn.app.base import BaseApplication

from shop.background.loop import Loop, start_loop

HOST = "127.0.0.1"
THREADS = 8
# Long enough to answer what is under way, short enough for somebody who waits at the keyboard.
SECONDS_TO_STOP = 4
# A demo that was killed is gone after a moment; its worker ends with it.
SECONDS_TO_LET_GO = 3.0
_PR_SET_PDEATHSIG = 1


class AlreadyRunningError(Exception):
    """Another demo serves the same data."""


class NoPortError(Exception):
    """The port cannot be had; says why."""


@contextlib.contextmanager
def alone_with(data_dir: Path) -> Iterator[None]:
    """Be the only demo on this data until the end of the process and its worker, however they end.

    Raises AlreadyRunningError when another is there for longer than it takes to go away.
    """
    with (data_dir / "demo.lock").open("w", encoding="ascii") as file:
        if not _within(SECONDS_TO_LET_GO, lambda: _lock(file.fileno())):
            raise AlreadyRunningError
        yield


def claim_port(port: int) -> socket.socket:
    """A socket that has the port and does not listen yet: nobody is let in, and nobody else can take it.

    Raises NoPortError.
    """
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((HOST, port))
    except OSError as error:
        listener.close()
        taken = error.errno == errno.EADDRINUSE
        why = f"Port {port} is taken." if taken else f"Port {port} cannot be opened: {error.strerror}."
        raise NoPortError(why) from error
    return listener


class DemoServer(BaseApplication):
    """gunicorn with the demo's settings. `run` opens the port and returns when the server has stopped."""

    def __init__(self, application: Callable[..., Any], listener: socket.socket) -> None:
        self._application = application
        self._listener = listener
        super().__init__()

    def load_config(self) -> None:
        for name, value in {
            "bind": f"fd://{self._listener.detach()}",
            "workers": 1,
            "worker_class": "shop.serving.Worker",
            "threads": THREADS,
            # Loaded here already, so that what is wrong with it shows before the address is printed.
            "preload_app": True,
            "graceful_timeout": SECONDS_TO_STOP,
            "keepalive": 15,
            "loglevel": "warning",
            "control_socket_disable": True,
            "post_fork": _end_with_parent,
            "post_worker_init": _start_background_work,
            "worker_exit": _stop_background_work,
        }.items():
            self.cfg.set(name, value)

    def load(self) -> Callable[..., Any]:
        return self._application

    def run(self) -> None:
        # A connection that both sides of a fork use is broken for both.
        connections.close_all()
        super().run()


_background: list[Loop] = []


def _start_background_work(_worker: Any) -> None:
    _background.append(start_loop())


def _stop_background_work(_arbiter: Any, _worker: Any) -> None:
    while _background:
        _background.pop().stop()
    connections.close_all()


def _end_with_parent(arbiter: Any, _worker: Any) -> None:
    """Have the kernel end the worker when the parent is killed: it would keep the port for another second."""
    if sys.platform != "linux":
        return
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
    if os.getppid() != arbiter.pid:
        os._exit(1)


def _lock(descriptor: int) -> bool:
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _within(seconds: float, attempt: Callable[[], bool]) -> bool:
    end = time.monotonic() + seconds
    while not attempt():
        if time.monotonic() > end:
            return False
        time.sleep(0.05)
    return True
