"""How many requests a credential may make in a minute (bar A6; draft-ietf-httpapi-ratelimit-headers).

Counts are exact under concurrency: with REDIS_URL set by one INCR that all processes share, else in this
process, which is the only one then. With Redis away each process counts for itself until it is back: known
callers are served, and the log says so.
"""

import threading
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache

import redis
import structlog
from django.conf import settings

from shop.errors import ShopError

WINDOW_SECONDS = 60
MOST_BAD_KEYS = 100
_PATIENCE_SECONDS = 0.25
_log = structlog.get_logger("coldgap.api")


class QuotaExceeded(ShopError):
    """More requests than the limit in this minute."""

    code = "quota-exceeded"
    status = 429

    def __init__(self, message: str, *, wait: int) -> None:
        super().__init__(message)
        self.headers = {"Retry-After": wait}


@dataclass(frozen=True, slots=True, kw_only=True)
class Quota:
    """What is left of a limit. `wait`: seconds until the next minute begins."""

    limit: int
    used: int
    wait: int

    @property
    def headers(self) -> dict[str, str]:
        left = max(self.limit - self.used, 0)
        return {
            "RateLimit-Policy": f'"default";q={self.limit};w={WINDOW_SECONDS}',
            "RateLimit": f'"default";r={left};t={self.wait}',
        }


def use(credential: str, limit: int, at: datetime) -> Quota:
    """Count one request of the credential. Whether it may pass is `quota.used <= quota.limit`."""
    window, wait = _window(at)
    return Quota(limit=limit, used=_count(f"use:{credential}", window), wait=wait)


class BadKeys:
    """Guessing at keys from one address: after so many in a minute each further one is 429. Good keys from
    the same address are still served, so nobody can lock a shop out."""

    def count(self, address: str, at: datetime) -> None:
        window, wait = _window(at)
        if _count(f"bad:{address}", window) > MOST_BAD_KEYS:
            raise QuotaExceeded("Too many keys that are not good came from your address.", wait=wait)


bad_keys = BadKeys()


def _window(at: datetime) -> tuple[int, int]:
    seconds = int(at.timestamp())
    return seconds // WINDOW_SECONDS, WINDOW_SECONDS - seconds % WINDOW_SECONDS


def _count(name: str, window: int) -> int:
    if settings.REDIS_URL:
        try:
            return _count_in_redis(settings.REDIS_URL, name, window)
        except redis.RedisError as error:
            _log.warning("limits are counted per process: Redis is away", error=type(error).__name__)
    return here.add(name, window)


def _count_in_redis(url: str, name: str, window: int) -> int:
    key = f"coldgap:limit:{name}:{window}"
    with _client(url).pipeline(transaction=False) as pipe:
        pipe.incr(key)
        pipe.expire(key, 2 * WINDOW_SECONDS)
        return int(pipe.execute()[0])


@lru_cache(maxsize=4)
def _client(url: str) -> redis.Redis:
    return redis.Redis.from_url(
        url, socket_timeout=_PATIENCE_SECONDS, socket_connect_timeout=_PATIENCE_SECONDS
    )


class Counts:
    """Counts of the current minute; those of the minute before are dropped as a whole."""

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._window = 0
        self._counts: dict[str, int] = {}

    def add(self, name: str, window: int) -> int:
        with self._guard:
            if window != self._window:
                self._window, self._counts = window, {}
            self._counts[name] = self._counts.get(name, 0) + 1
            return self._counts[name]

    def clear(self) -> None:
        """Forget what was counted: a test's requests are not the next one's."""
        with self._guard:
            self._counts = {}


here = Counts()
