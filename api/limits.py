"""How many requests a credential, and all programs of a site together, may make in a minute (bar A6;
draft-ietf-httpapi-ratelimit-headers).

Counts are exact under concurrency: with REDIS_URL set in one script that Redis runs as one act and all
processes share, else in this process, which is the only one then. With Redis away each process counts for
itself until it is back: known callers are served, and the log says so.
"""

import threading
import uuid
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

import redis
import structlog
from django.conf import settings

from shop.errors import ShopError

WINDOW_SECONDS = 60
MOST_BAD_KEYS = 100
_PATIENCE_SECONDS = 0.25
_log = structlog.get_logger("coldgap.api")


class QuotaExceeded(ShopError):
    """More requests than the limit in this minute. `policies`: the names of the quotas that are used up."""

    code = "quota-exceeded"
    status = 429

    def __init__(self, message: str, *, wait: int, policies: Sequence[str] = ()) -> None:
        super().__init__(message, extra={"violated-policies": list(policies)} if policies else None)
        self.headers = {"Retry-After": wait}


@dataclass(frozen=True, slots=True, kw_only=True)
class Quota:
    """What is left of a limit. `name`: what the headers call it; `used`: this request included."""

    name: str
    limit: int
    used: int

    @property
    def left(self) -> int:
        return max(self.limit - self.used, 0)

    @property
    def is_exceeded(self) -> bool:
        return self.used > self.limit


@dataclass(frozen=True, slots=True, kw_only=True)
class Quotas:
    """The limits that a request counts against. `site` is None for one that counts at no site; `wait`:
    seconds until the next minute begins."""

    own: Quota
    site: Quota | None = None
    wait: int

    @property
    def headers(self) -> dict[str, str]:
        every = [self.own] if self.site is None else [self.own, self.site]
        return {
            "RateLimit-Policy": ", ".join(f'"{q.name}";q={q.limit};w={WINDOW_SECONDS}' for q in every),
            "RateLimit": ", ".join(f'"{q.name}";r={q.left};t={self.wait}' for q in every),
        }

    def check(self) -> None:
        """Raises QuotaExceeded when the request is one too many."""
        if self.own.is_exceeded:
            raise QuotaExceeded(
                f"This is more than {self.own.limit} requests in a minute. Wait {self.wait} s.",
                wait=self.wait,
                policies=[self.own.name],
            )
        if self.site is not None and self.site.is_exceeded:
            raise QuotaExceeded(
                f"All programs of your site together made more than {self.site.limit} requests in a minute. "
                f"Wait {self.wait} s.",
                wait=self.wait,
                policies=[self.site.name],
            )


def use(
    credential: str, limit: int, at: datetime, *, sites: Collection[uuid.UUID] = (), site_limit: int = 0
) -> Quotas:
    """Count one request of the credential, and unless that was too many, at each of the sites.

    What is told of the sites is the one with the most left: a program of several sites is held up only when
    all of them are used up. It counts at each of them, whichever it asks about.
    """
    window, wait = _window(at)
    used, *at_sites = _count_all(f"use:{credential}", limit, [f"site:{site}" for site in sites], window)
    return Quotas(
        own=Quota(name="default", limit=limit, used=used),
        site=Quota(name="site", limit=site_limit, used=min(at_sites)) if at_sites else None,
        wait=wait,
    )


class BadKeys:
    """Guessing at keys from one address: after so many in a minute each further one is 429. Good keys from
    the same address are still served, so nobody can lock a shop out."""

    def count(self, address: str, at: datetime) -> None:
        window, wait = _window(at)
        (count,) = _count_all(f"bad:{address}", MOST_BAD_KEYS, [], window)
        if count > MOST_BAD_KEYS:
            raise QuotaExceeded("Too many keys that are not good came from your address.", wait=wait)


bad_keys = BadKeys()


def _window(at: datetime) -> tuple[int, int]:
    seconds = int(at.timestamp())
    return seconds // WINDOW_SECONDS, WINDOW_SECONDS - seconds % WINDOW_SECONDS


def _count_all(name: str, limit: int, besides: Sequence[str], window: int) -> list[int]:
    """Count one for the name, and one for each of the others unless the first is above its limit by it."""
    if settings.REDIS_URL:
        names = [f"coldgap:limit:{each}:{window}" for each in (name, *besides)]
        try:
            return _in_redis(settings.REDIS_URL)(names, [limit, 2 * WINDOW_SECONDS])
        except redis.RedisError as error:
            _log.warning("limits are counted per process: Redis is away", error=type(error).__name__)
    return here.add(name, limit, besides, window)


_COUNT_ALL = """
    local counts = {}
    local one = 1
    for place, name in ipairs(KEYS) do
        counts[place] = redis.call("INCRBY", name, one)
        redis.call("EXPIRE", name, ARGV[2])
        if place == 1 and counts[1] > tonumber(ARGV[1]) then one = 0 end
    end
    return counts
"""


@lru_cache(maxsize=4)
def _in_redis(url: str) -> Any:
    return _client(url).register_script(_COUNT_ALL)


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

    def add(self, name: str, limit: int, besides: Sequence[str], window: int) -> list[int]:
        with self._guard:
            if window != self._window:
                self._window, self._counts = window, {}
            first = self._add(name, 1)
            one = 0 if first > limit else 1
            return [first, *(self._add(each, one) for each in besides)]

    def _add(self, name: str, amount: int) -> int:
        self._counts[name] = self._counts.get(name, 0) + amount
        return self._counts[name]

    def clear(self) -> None:
        """Forget what was counted: a test's requests are not the next one's."""
        with self._guard:
            self._counts = {}


here = Counts()
