"""Server-sent events: an answer that stays open and says what happens (WHATWG HTML, "Server-sent events").

A stream takes one of the process's threads for as long as it is open, so it ends by itself after a while, the
reader asks again with Last-Event-ID, and there are only so many at once: whoever comes too many is told to
ask again later, and the others are served. Between two looks it holds no connection to the database, and
after each it is asked whether its reader may still read: a key that is revoked ends its streams.
"""

import json
import threading
import time
from collections import Counter
from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import structlog
from django.db import DatabaseError, InterfaceError, connections
from django.http import StreamingHttpResponse

from shop.conf import conf
from shop.errors import Busy, ShopError

EVENT_STREAM = "text/event-stream"
LOOK_EVERY_SECONDS = 0.5
RETRY_AFTER_SECONDS = 1
# How long a reader waits before it asks again after the stream has ended.
_RETRY = b"retry: 2000\n\n"
_STILL_HERE = b": still here\n\n"
_log = structlog.get_logger("coldgap.api")


class TooManyStreams(ShopError):
    """As many streams are open as this process has threads for."""

    code = "too-many-streams"
    status = 503


class TooManyOfYours(ShopError):
    """As many streams are open as one credential may have."""

    code = "stream-quota-exceeded"
    status = 429

    def __init__(self, message: str) -> None:
        super().__init__(message)
        self.headers = {"Retry-After": RETRY_AFTER_SECONDS}


@dataclass(frozen=True, slots=True, kw_only=True)
class ServerEvent:
    """One event: its name, what it says (JSON-able), and the id under which a reader goes on after it."""

    name: str
    data: Any
    id: str

    def encode(self) -> bytes:
        data = json.dumps(self.data, ensure_ascii=False, separators=(",", ":"))
        return f"id: {self.id}\nevent: {self.name}\ndata: {data}\n\n".encode()


Looks = Iterator[Sequence[ServerEvent]]
"""What each look found, perhaps nothing; it ends when there will be nothing more."""


class Places:
    """How many streams are open in this process, by credential. Nobody has more than half of them."""

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._taken: Counter[str] = Counter()

    def take(self, credential: str) -> None:
        """Raises TooManyOfYours and TooManyStreams."""
        most = conf.streams_at_once
        with self._guard:
            if self._taken[credential] >= max(most // 2, 1):
                raise TooManyOfYours(
                    f"You have {self._taken[credential]} streams open, as many as one program may: close one "
                    "first, or look now and then."
                )
            if self._taken.total() >= most:
                _log.warning("as many streams as there may be", credential=credential)
                raise TooManyStreams(
                    "As many streams are open as there may be: ask again later, or look now and then."
                )
            self._taken[credential] += 1

    def free(self, credential: str) -> None:
        with self._guard:
            self._taken[credential] -= 1
            self._taken += Counter()  # forget who has none

    @property
    def taken(self) -> int:
        return self._taken.total()


places = Places()


class EventStream:
    """The body of the answer. Closed by the server whether or not it was ever read, which frees its place."""

    def __init__(self, looks: Looks, credential: str, may_read: Callable[[], bool]) -> None:
        self._credential = credential
        self._chunks = _chunks(looks, may_read)
        self._open = True

    def __iter__(self) -> Iterator[bytes]:
        return self._chunks

    def close(self) -> None:
        if self._open:
            self._open = False
            self._chunks.close()
            places.free(self._credential)


def stream_response(looks: Looks, credential: str, may_read: Callable[[], bool]) -> StreamingHttpResponse:
    """An answer that says what `looks` finds, for as long as the settings and `may_read` allow. Raises
    TooManyOfYours and TooManyStreams."""
    places.take(credential)
    body = EventStream(looks, credential, may_read)
    response = StreamingHttpResponse(body, content_type=EVENT_STREAM)
    # A proxy in front must pass each event on as it comes.
    response["X-Accel-Buffering"] = "no"
    response["Cache-Control"] = "no-store"
    return response


def _chunks(looks: Looks, may_read: Callable[[], bool]) -> Generator[bytes, None, None]:
    end = time.monotonic() + conf.stream_time.total_seconds()
    silence = conf.stream_heartbeat.total_seconds()
    yield _RETRY
    spoke = time.monotonic()
    try:
        for found in looks:
            allowed = may_read()
            _let_go_of_the_database()
            if not allowed:
                return
            for event in found:
                yield event.encode()
                spoke = time.monotonic()
            if time.monotonic() - spoke >= silence:
                yield _STILL_HERE
                spoke = time.monotonic()
            left = end - time.monotonic()
            if left <= 0:
                return
            time.sleep(min(LOOK_EVERY_SECONDS, left))
    except (DatabaseError, InterfaceError, Busy):
        # The reader comes back by itself, when the database may be there again.
        _log.warning("a stream was cut short: the database is not reached", exc_info=True)


def _let_go_of_the_database() -> None:
    """What a request does at its end: back into the pool, unless somebody's transaction is open."""
    for connection in connections.all(initialized_only=True):
        if not connection.in_atomic_block:
            connection.close_if_unusable_or_obsolete()
