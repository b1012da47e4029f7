"""Of the threads of one process that work on SQLite one is at work at a time.

Python runs one thread at a time and SQLite runs inside the process, so that more at once get nothing done
sooner. Let loose they take the interpreter from one another at every statement, and a writer for whom all
others wait gets it back only after those who read. A turn is a courtesy, not a lock: whoever has waited for
`LONGEST_WAIT_SECONDS` goes ahead, so that long work delays nobody further (figures: tests/bench/bench_http).
"""

import contextlib
import os
import threading
from collections.abc import Callable, Iterator

from django.core.exceptions import MiddlewareNotUsed
from django.db import DEFAULT_DB_ALIAS, connections
from django.http import HttpRequest, HttpResponse

LONGEST_WAIT_SECONDS = 0.1
WITH_THE_LOCK_SECONDS = 0.01


class TurnMiddleware:
    """Each request is answered in a turn of its thread. One with a body, which may be long in coming, has a
    turn only from where it writes on, and what a streamed answer does later has none."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        if connections[DEFAULT_DB_ALIAS].vendor != "sqlite":
            raise MiddlewareNotUsed("Only SQLite works inside this process.")
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        _mine.works, _mine.has = True, False
        if request.META.get("CONTENT_LENGTH") in (None, "", "0"):
            _take(LONGEST_WAIT_SECONDS)
        try:
            return self.get_response(request)
        finally:
            _mine.works = False
            _give()


@contextlib.contextmanager
def for_the_lock() -> Iterator[None]:
    """Let others have this thread's turn while it waits for the write lock, then take the next one; for which
    nobody waits long, because all other writers now wait for this one."""
    if not getattr(_mine, "works", False):
        yield
        return
    _give()
    yield
    _take(WITH_THE_LOCK_SECONDS)


def _take(longest_seconds: float) -> None:
    _mine.has = _turn.acquire(timeout=longest_seconds)


def _give() -> None:
    if _mine.has:
        _mine.has = False
        _turn.release()


def _begin_anew() -> None:
    global _turn, _mine
    # Another thread may have had it at the fork.
    _turn, _mine = threading.Lock(), threading.local()


_begin_anew()
os.register_at_fork(after_in_child=_begin_anew)
