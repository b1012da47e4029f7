"""How long a write has waited since it was asked for, by a clock that nobody sets.

Services are given the moment `at` of what was asked. Until they have their locks others go on, and are told
of what time ends by a later clock. So whatever rests on that looks again once it has its lock.
"""

import contextlib
import threading
import time
from collections.abc import Iterator
from datetime import datetime, timedelta


class _Asked(threading.local):
    """since: when this thread's write transaction was asked for; None outside one. waited: how long it had
    waited when something was decided by that."""

    since: float | None = None
    waited: timedelta | None = None


_asked = _Asked()


@contextlib.contextmanager
def asked() -> Iterator[None]:
    """Around a write transaction, with all that it waits for."""
    _asked.since, _asked.waited = time.monotonic(), None
    try:
        yield
    finally:
        _asked.since = _asked.waited = None


def begins_again() -> None:
    """What was decided in the transaction is undone."""
    _asked.waited = None


def by_now(at: datetime) -> datetime:
    """`at`, later by what the transaction has waited since: to look for what is over, before it is locked."""
    return at + (_asked.waited or _so_far())


def once_locked(at: datetime) -> datetime:
    """As `by_now`, for whoever has locked what he decides about. From the first time on it is the same moment
    for the whole transaction, so that what has not ended for one of its acts has not for the next."""
    if _asked.waited is None:
        _asked.waited = _so_far()
    return at + _asked.waited


def _so_far() -> timedelta:
    if _asked.since is None:
        return timedelta(0)
    return timedelta(seconds=time.monotonic() - _asked.since)
