"""Is the process alive, and could it do its work: two pages for whoever watches the service.

They say nothing secret and need no log-in. `readyz` asks, it never writes: a probe every few seconds must
not queue with the people at work.
"""

import os
import time
from pathlib import Path
from threading import Lock
from typing import Any

import redis
from django.conf import settings
from django.contrib.auth.decorators import login_not_required
from django.db import DatabaseError, InterfaceError, connection
from django.db.migrations.executor import MigrationExecutor
from django.http import HttpRequest, JsonResponse
from django.views.decorators.http import require_safe

BROKER_PATIENCE_SECONDS = 0.03
BROKER_ANSWER_GOOD_FOR_SECONDS = 5.0


@login_not_required
@require_safe
def healthz(request: HttpRequest) -> JsonResponse:
    """200 as long as the process answers at all."""
    return _answer({"status": "alive"}, 200)


@login_not_required
@require_safe
def readyz(request: HttpRequest) -> JsonResponse:
    """200 when requests can be served, else 503. A broker that is down only makes background work wait."""
    trouble = _database_trouble() or _migration_trouble()
    facts = {"database": trouble or "ok", "broker": _broker.state()}
    if trouble is None:
        return _answer({"status": "ready", **facts}, 200)
    problem = {"type": "about:blank", "title": "Service Unavailable", "status": 503, "detail": trouble}
    response = _answer(problem | facts, 503)
    response["Content-Type"] = "application/problem+json"
    response["Retry-After"] = "2"
    return response


def _answer(body: dict[str, Any], status: int) -> JsonResponse:
    response = JsonResponse(body, status=status)
    response["Cache-Control"] = "no-store"
    return response


def _database_trouble() -> str | None:
    try:
        if connection.vendor == "sqlite":
            return _sqlite_trouble()
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_is_in_recovery() OR current_setting('transaction_read_only') = 'on'")
            return "the database is read-only" if cursor.fetchone()[0] else None
    except (DatabaseError, InterfaceError, OSError):
        return "the database cannot be reached"


def _sqlite_trouble() -> str | None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")
    if connection.lock_path is None:
        return None
    file = Path(connection.settings_dict["NAME"])
    writable = os.access(file, os.W_OK) and os.access(file.parent, os.W_OK)
    return None if writable else "the database is read-only"


_migrated = False


def _migration_trouble() -> str | None:
    global _migrated
    if not _migrated:
        executor = MigrationExecutor(connection)
        _migrated = not executor.migration_plan(executor.loader.graph.leaf_nodes())
    return None if _migrated else "the database is not migrated: run `manage.py migrate`"


class _Broker:
    """What the broker last answered, asked again only when that is some seconds old."""

    def __init__(self) -> None:
        self._guard = Lock()
        self._asked_at = 0.0
        self._state = "down"

    def state(self) -> str:
        """ "none" when no broker is set, else "up" or "down"."""
        if not settings.REDIS_URL:
            return "none"
        with self._guard:
            if time.monotonic() - self._asked_at > BROKER_ANSWER_GOOD_FOR_SECONDS:
                self._state = self._ask()
                self._asked_at = time.monotonic()
            return self._state

    def _ask(self) -> str:
        patience = BROKER_PATIENCE_SECONDS
        client = redis.Redis.from_url(
            settings.REDIS_URL, socket_timeout=patience, socket_connect_timeout=patience, retry=None
        )
        try:
            client.ping()
        except (redis.RedisError, OSError):
            return "down"
        finally:
            client.close()
        return "up"


_broker = _Broker()
