"""Of the threads of one process that work on SQLite one is at work at a time.

Python runs one thread at a time and SQLite runs inside the process, so that more at once get nothing done
sooner. Let loose they take the interpreter from one another at every statement, and a writer for whom all
others wait gets it back only after those who read. So requests have turns, in the order in which they fall
due: a page or a list at once, a change, which takes longer, a little later. A turn is a courtesy, not a lock:
when it lasts longer than `LONGEST_TURN_SECONDS` the next begins beside it (figures: tests/bench/bench_http).
"""

import contextlib
import functools
import heapq
import os
import threading
import time
from collections.abc import Callable, Iterator

from django.core.exceptions import MiddlewareNotUsed
from django.db import DEFAULT_DB_ALIAS, connections
from django.http import HttpRequest, HttpResponse
from django.http.request import UnreadablePostError

from shop.patience import was_crowded_out

LONGEST_TURN_SECONDS = 0.1
LONGEST_WAIT_WITH_THE_LOCK_SECONDS = 0.01
CHANGES_ARE_DUE_LATER_SECONDS = 0.07
SMALL_BODY_BYTES = 2**20
READING = frozenset({"GET", "HEAD", "OPTIONS"})


class TurnMiddleware:
    """Each request is answered in a turn of its thread. A body, which may be long in coming, is read before;
    a request with a large one or with files has a turn only from where it writes on, and what a streamed
    answer does later has none."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        if connections[DEFAULT_DB_ALIAS].vendor != "sqlite":
            raise MiddlewareNotUsed("Only SQLite works inside this process.")
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        try:
            is_here = _is_body_here(request)
        except UnreadablePostError as broken_off:
            return HttpResponse(status=503 if was_crowded_out(broken_off) else 400)
        _mine.works, _mine.turn = True, None
        if is_here:
            is_change = request.method not in READING
            later = CHANGES_ARE_DUE_LATER_SECONDS if is_change else 0
            _mine.turn = _turns.take(_Turn(time.monotonic() + later, is_change=is_change))
        try:
            return self.get_response(request)
        finally:
            _mine.works = False
            _give()


def _is_body_here(request: HttpRequest) -> bool:
    """Reads a small body. Raises UnreadablePostError."""
    length = request.META.get("CONTENT_LENGTH") or "0"
    if length == "0":
        return True
    if not length.isdecimal() or int(length) > SMALL_BODY_BYTES:
        return False
    if request.content_type.startswith("multipart/"):
        return False
    return request.body is not None


@contextlib.contextmanager
def for_the_lock() -> Iterator[None]:
    """Let those who read have this thread's turn while it waits for the write lock, then take the next one;
    for which nobody waits long, because all other writers now wait for this one."""
    if not getattr(_mine, "works", False):
        yield
        return
    lent, _mine.turn = _mine.turn, None
    _turns.lend(lent)
    try:
        yield
    except BaseException:
        _turns.drop(lent)
        raise
    until = time.monotonic() + LONGEST_WAIT_WITH_THE_LOCK_SECONDS
    _mine.turn = _turns.take(_Turn(0, is_change=False), until, instead_of=lent)


def _give() -> None:
    turn, _mine.turn = _mine.turn, None
    if turn is not None:
        _turns.give(turn)


@functools.total_ordering
class _Turn:
    """One thread's turn, asked for or had. due: on the monotonic clock; of two the smaller is due first."""

    def __init__(self, due: float, *, is_change: bool) -> None:
        self.due = due
        self.is_change = is_change
        self.called = threading.Lock()
        self.called.acquire()

    def __lt__(self, other: "_Turn") -> bool:
        return self.due < other.due


class _Turns:
    """Whose turn it is in this process, and who waits for one.

    While one waits for the write lock no other change begins: all would come to wait for the lock, and then
    follow one another without anybody who reads between them.
    """

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._now: _Turn | None = None
        self._since = 0.0
        self._at_the_lock: _Turn | None = None
        self._reads: list[_Turn] = []
        self._changes: list[_Turn] = []

    @property
    def is_free(self) -> bool:
        return self._now is None

    def take(
        self, mine: _Turn, until: float | None = None, *, instead_of: _Turn | None = None
    ) -> _Turn | None:
        """Wait for it; None when it did not come `until` then. instead_of: one that was lent."""
        queue = self._changes if mine.is_change else self._reads
        with self._guard:
            heapq.heappush(queue, mine)
            self._forget(instead_of)
        while not mine.called.acquire(timeout=self._patience(until)):
            with self._guard:
                if self._now is mine:
                    continue
                now = time.monotonic()
                if until is not None and now >= until:
                    queue.remove(mine)
                    heapq.heapify(queue)
                    return None
                if now - self._since >= LONGEST_TURN_SECONDS:
                    self._at_the_lock = None
                    self._call_next()
        return mine

    def give(self, turn: _Turn) -> None:
        """Does nothing when it lasted so long that the next one has begun."""
        with self._guard:
            if self._now is turn:
                self._call_next()

    def lend(self, turn: _Turn | None) -> None:
        """Give it while its thread waits for the write lock; then it is taken again, or dropped."""
        with self._guard:
            if self._at_the_lock is None:
                self._at_the_lock = turn
            if turn is not None and self._now is turn:
                self._call_next()

    def drop(self, turn: _Turn | None) -> None:
        with self._guard:
            self._forget(turn)

    def _patience(self, until: float | None) -> float:
        end = self._since + LONGEST_TURN_SECONDS
        return max((end if until is None else min(until, end)) - time.monotonic(), 0)

    def _forget(self, turn: _Turn | None) -> None:
        if self._at_the_lock is turn:
            self._at_the_lock = None
        if self._now is None:
            self._call_next()

    def _call_next(self) -> None:
        queue = self._reads
        if self._changes and self._at_the_lock is None and not (queue and queue[0] < self._changes[0]):
            queue = self._changes
        self._now = heapq.heappop(queue) if queue else None
        self._since = time.monotonic()
        if self._now is not None:
            self._now.called.release()


def _begin_anew() -> None:
    global _turns, _mine
    # Another thread may have had it at the fork.
    _turns, _mine = _Turns(), threading.local()


_begin_anew()
os.register_at_fork(after_in_child=_begin_anew)
