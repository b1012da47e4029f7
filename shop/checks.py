"""Numbered checks: an unsafe setting stops the start with a hint, on every way in.

`manage.py` runs those that need no database before each command, `migrate` the others too; gunicorn, Celery
and the embedded server run all of them through `refuse_unsafe_start`.
"""

import os
import time
from collections.abc import Iterable, Iterator, Sequence
from ipaddress import ip_network
from typing import Any

import structlog
from django.conf import settings
from django.core import checks
from django.core.exceptions import ImproperlyConfigured
from django.core.management.base import SystemCheckError
from django.db import DEFAULT_DB_ALIAS, DatabaseError, connections
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.migrations.executor import MigrationExecutor
from django.utils.module_loading import import_string

from shop.db import Failure, classify

ENVIRONMENTS = ("local", "production")
# The tests' own, which no program of ours reads.
TEST_PREFIX = "COLDGAP_TEST_"
NEEDED_IN_PRODUCTION = ("COLDGAP_SECRET_KEY", "COLDGAP_ALLOWED_HOSTS", "DATABASE_URL", "REDIS_URL")
LEAST_KEY_LENGTH = 50
SQLITE_PRAGMAS = {"journal_mode": "wal", "synchronous": 2, "recursive_triggers": 1, "foreign_keys": 1}
SQLITE_LEAST_BUSY_MS = 20_000
WAIT_SECONDS = 1.0
_log = structlog.get_logger("coldgap.start")


def refuse_unsafe_start(*, wait: bool = False) -> None:
    """Raise SystemCheckError, naming every error that a check finds, those of the database included.

    With `wait` a database that is away is waited for: gunicorn, whose worker fails to start, ends altogether.
    """
    while True:
        try:
            found = checks.run_checks(databases=[DEFAULT_DB_ALIAS])
            break
        except DatabaseError as error:
            if not wait or classify(error) is Failure.OTHER:
                raise
            _log.warning("waiting for the database to start", error=str(error).partition("\n")[0])
            time.sleep(WAIT_SECONDS)
    errors = [message for message in found if message.level >= checks.ERROR]
    if errors:
        lines = "\n".join(str(message) for message in errors)
        raise SystemCheckError(f"Coldgap does not start:\n{lines}")


def _error(number: int, what: str, hint: str) -> checks.Error:
    return checks.Error(what, hint=hint, id=f"shop.E{number:03}")


@checks.register()
def check_environment(app_configs: Any = None, **_: Any) -> list[checks.CheckMessage]:
    return list(_environment_errors(os.environ))


def _environment_errors(environment: Iterable[str]) -> Iterator[checks.Error]:
    if settings.ENVIRONMENT not in ENVIRONMENTS:
        yield _error(
            1, f"COLDGAP_ENV is {settings.ENVIRONMENT!r}.", f"Set it to one of: {', '.join(ENVIRONMENTS)}."
        )
    given = set(environment)
    for name in sorted(given - settings.KNOWN_VARIABLES):
        if name.startswith("COLDGAP_") and not name.startswith(TEST_PREFIX):
            yield _error(2, f"Nothing reads the variable {name}.", "Mend its name or take it away.")
    if settings.PRODUCTION:
        for name in NEEDED_IN_PRODUCTION:
            if name not in given:
                yield _error(
                    3,
                    f"{name} is not set, and in production nothing is assumed.",
                    "Set it in the environment; REDIS_URL may be empty where `manage.py work_tasks` runs.",
                )


@checks.register()
def check_production(app_configs: Any = None, **_: Any) -> list[checks.CheckMessage]:
    return list(_production_errors()) if settings.PRODUCTION else []


def _production_errors() -> Iterator[checks.Error]:
    try:
        keys = [settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS]
    except ImproperlyConfigured:  # Django's own word for an empty one
        keys = [""]
    for key in keys:
        if len(key) < LEAST_KEY_LENGTH or len(set(key)) < 10 or "change" in key.lower():
            yield _error(
                4,
                "A secret key is too short, too uniform or a sample.",
                "Make one with: python -c 'import secrets; print(secrets.token_urlsafe(64))'",
            )
    if "*" in settings.ALLOWED_HOSTS or not settings.ALLOWED_HOSTS:
        yield _error(
            5,
            "COLDGAP_ALLOWED_HOSTS names no host, or all.",
            "Name the hosts that people type, comma between.",
        )
    if settings.DEBUG:
        yield _error(6, "DEBUG is on in production.", "Switch it off: its pages show secrets.")


@checks.register()
def check_web(app_configs: Any = None, **_: Any) -> list[checks.CheckMessage]:
    return list(_web_errors(settings.REST_FRAMEWORK, settings.MIDDLEWARE))


def _web_errors(api: dict[str, Any], middleware: Sequence[str]) -> Iterator[checks.Error]:
    permissions = api.get("DEFAULT_PERMISSION_CLASSES", ())
    open_ones = [name for name in permissions if name.rsplit(".", 1)[-1].startswith(("AllowAny", "Is"))]
    if not permissions or open_ones:
        yield _error(
            10,
            "The API's default permission does not ask for role or scope.",
            "DEFAULT_PERMISSION_CLASSES must be api.permissions.RoleOrScope.",
        )
    if list(api.get("DEFAULT_RENDERER_CLASSES", ())) != ["rest_framework.renderers.JSONRenderer"]:
        yield _error(11, "The API answers other than in JSON.", "Keep JSONRenderer as its only renderer.")
    if api.get("DEFAULT_THROTTLE_CLASSES"):
        yield _error(
            12,
            "The framework's throttles are in use; they let concurrent calls through.",
            "Count in the service's own limiter instead.",
        )
    if "django.middleware.gzip.GZipMiddleware" in middleware:
        yield _error(
            13,
            "GZipMiddleware weakens every ETag, so that no If-Match would ever match.",
            "Compress in the proxy in front, not in the service.",
        )
    if "django.contrib.auth.middleware.LoginRequiredMiddleware" not in middleware:
        yield _error(14, "Pages are open by default.", "Put LoginRequiredMiddleware back.")


@checks.register()
def check_celery(app_configs: Any = None, **_: Any) -> list[checks.CheckMessage]:
    return list(_celery_errors())


def _celery_errors() -> Iterator[checks.Error]:
    if settings.CELERY_ACCEPT_CONTENT != ["json"] or settings.CELERY_TASK_SERIALIZER != "json":
        yield _error(
            20,
            "Celery accepts other content than JSON.",
            "Pickled messages run code: CELERY_ACCEPT_CONTENT = ['json'].",
        )
    if settings.CELERY_RESULT_BACKEND is not None or not settings.CELERY_TASK_IGNORE_RESULT:
        yield _error(
            21,
            "Celery has a result backend.",
            "Results are rows of ours; with a backend a broker that is down held a caller for 19 s.",
        )
    timeouts = settings.CELERY_BROKER_TRANSPORT_OPTIONS
    if any(not 0 < timeouts.get(name, 0) <= 1 for name in ("socket_timeout", "socket_connect_timeout")):
        yield _error(
            22,
            "The broker's socket timeouts are missing or above one second.",
            "A broker that accepts and stays silent would hang its callers: set both to 1.",
        )


@checks.register()
def check_webhooks(app_configs: Any = None, **_: Any) -> list[checks.CheckMessage]:
    return list(_webhook_errors(settings.COLDGAP["WEBHOOK_ALLOW_PRIVATE"]))


def _webhook_errors(networks: Iterable[str]) -> Iterator[checks.Error]:
    for text in networks:
        try:
            network = ip_network(text)
        except ValueError:
            yield _error(
                40,
                f"COLDGAP_WEBHOOK_ALLOW_PRIVATE holds {text!r}, which is no network.",
                "Name networks such as 10.4.0.0/16, comma between.",
            )
            continue
        if settings.PRODUCTION and (network.is_loopback or network.is_link_local or network.prefixlen < 8):
            yield _error(
                41,
                f"COLDGAP_WEBHOOK_ALLOW_PRIVATE opens {text} to whoever may register a webhook.",
                "Name only the networks in which receivers stand: never this machine or link-local ones.",
            )


@checks.register(checks.Tags.database)
def check_databases(
    app_configs: Any = None, databases: Sequence[str] | None = None, **_: Any
) -> list[checks.CheckMessage]:
    return [error for alias in databases or () for error in _database_errors(connections[alias])]


def _database_errors(connection: BaseDatabaseWrapper) -> Iterator[checks.Error]:
    if connection.vendor == "sqlite":
        yield from _sqlite_errors(connection)
    elif connection.vendor == "postgresql":
        if settings.PRODUCTION:
            yield from _role_errors(connection)
    else:
        yield _error(30, f"{connection.vendor} is not supported.", "Use PostgreSQL or SQLite.")
        return
    executor = MigrationExecutor(connection)
    if executor.migration_plan(executor.loader.graph.leaf_nodes()):
        # `migrate` must be able to run; `readyz` says meanwhile that it has not.
        return
    missing = [name for each in settings.MISSING_TRIGGERS for name in import_string(each)(connection)]
    if missing:
        yield _error(
            34,
            f"The database lacks the triggers that guard the books and the trail: {', '.join(missing)}.",
            "A migration or a person removed them. Install them again and run `manage.py audit`.",
        )


def _sqlite_errors(connection: BaseDatabaseWrapper) -> Iterator[checks.Error]:
    with connection.cursor() as cursor:
        live = {name: cursor.execute(f"PRAGMA {name}").fetchone()[0] for name in SQLITE_PRAGMAS}
        patience = cursor.execute("PRAGMA busy_timeout").fetchone()[0]
    on_disk = getattr(connection, "lock_path", connection) is not None
    for name, wanted in SQLITE_PRAGMAS.items():
        if live[name] != wanted and (on_disk or name != "journal_mode"):
            yield _error(
                31,
                f"SQLite's {name} is {live[name]}, not {wanted}: acknowledged work could be lost.",
                "Keep SQLITE_OPTIONS of shop/settings.py as they are.",
            )
    if connection.transaction_mode != "IMMEDIATE" or patience < SQLITE_LEAST_BUSY_MS:
        yield _error(
            32,
            "SQLite's transactions do not begin IMMEDIATE, or do not wait for 20 s: writers would fail.",
            "Keep SQLITE_OPTIONS of shop/settings.py as they are.",
        )
    if not hasattr(connection, "write_lock"):
        yield _error(
            33, "SQLite's writers do not queue for the file lock.", 'Set the ENGINE to "shop.db.sqlite".'
        )


def _role_errors(connection: BaseDatabaseWrapper) -> Iterator[checks.Error]:
    """The service's own role must not be able to take the guards of the books away (law 4)."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT rolsuper FROM pg_roles WHERE rolname = current_user")
        mighty = cursor.fetchone()[0]
        cursor.execute(
            "SELECT 1 FROM pg_tables WHERE schemaname = 'public' AND tableowner = current_user LIMIT 1"
        )
        if mighty or cursor.fetchone():
            yield _error(
                35,
                f"{connection.settings_dict['USER']} owns the tables or is a superuser.",
                "Let DATABASE_OWNER_URL name the owner for `migrate`, and DATABASE_URL another role.",
            )
