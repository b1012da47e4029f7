"""Unsafe settings are refused by number, on every way in."""

import os
import secrets
import subprocess
import sys

import pytest
from django.core.management.base import SystemCheckError
from django.db import OperationalError, connection

from shop import checks
from shop.settings import BASE_DIR
from tests.servers.programs import program_environment

PRODUCTION = {
    "COLDGAP_ENV": "production",
    "COLDGAP_SECRET_KEY": secrets.token_urlsafe(64),
    "COLDGAP_ALLOWED_HOSTS": "shims.example",
    "REDIS_URL": "",
}


def ids(messages):
    return [message.id for message in messages]


def manage(*words, **environment):
    return subprocess.run(
        [sys.executable, "manage.py", *words],
        cwd=BASE_DIR,
        env=environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_production_settings_pass_every_check_that_deploys_ask_for():
    """Bar S8: exit 0 with no identifier silenced."""
    environment = os.environ | PRODUCTION
    done = manage("check", "--deploy", "--fail-level", "WARNING", **environment)
    assert done.returncode == 0, done.stderr
    assert "0 silenced" in done.stdout


def test_a_start_with_nothing_set_in_production_names_all_that_is_missing():
    bare = {name: value for name, value in os.environ.items() if name in {"PATH", "COLDGAP_DATA_DIR"}}
    done = manage("check", **bare, COLDGAP_ENV="production")
    assert done.returncode != 0
    for name in checks.NEEDED_IN_PRODUCTION:
        assert f"{name} is not set" in done.stderr
    for number in ("shop.E003", "shop.E004", "shop.E005", "HINT"):
        assert number in done.stderr


GOOD_VALUES = {
    "ENVIRONMENT": "production",
    "PRODUCTION": True,
    "SECRET_KEY": PRODUCTION["COLDGAP_SECRET_KEY"],
    "ALLOWED_HOSTS": ["shims.example"],
}


@pytest.mark.parametrize(
    ("change", "numbers"),
    [
        ({}, []),
        ({"SECRET_KEY": "change-me" * 9}, [4]),
        ({"SECRET_KEY": "short"}, [4]),
        ({"SECRET_KEY": "a" * 64}, [4]),
        ({"SECRET_KEY_FALLBACKS": ["short"]}, [4]),
        ({"ALLOWED_HOSTS": ["*"]}, [5]),
        ({"ALLOWED_HOSTS": []}, [5]),
        ({"DEBUG": True}, [6]),
    ],
)
def test_an_unsafe_value_in_production_is_refused(settings, change, numbers):
    for name, value in (GOOD_VALUES | change).items():
        setattr(settings, name, value)
    assert ids(checks.check_production()) == [f"shop.E{number:03}" for number in numbers]


@pytest.mark.parametrize(
    ("environment", "names", "numbers"),
    [
        ("production", checks.NEEDED_IN_PRODUCTION, []),
        ("production", checks.NEEDED_IN_PRODUCTION[1:], [3]),
        ("prodution", [], [1]),
        ("local", [], []),
        ("local", ["COLDGAP_HOLD_HOURS", "COLDGAP_TEST_DATABASE", "HOME"], []),
        ("local", ["COLDGAP_HOLD_HOUR"], [2]),
    ],
)
def test_a_slip_in_a_variables_name_is_refused(settings, environment, names, numbers):
    settings.ENVIRONMENT, settings.PRODUCTION = environment, environment == "production"
    assert ids(checks._environment_errors(names)) == [f"shop.E{number:03}" for number in numbers]


def test_the_web_server_does_not_start_unsafely():
    """gunicorn runs no checks of its own: loading its entrance does."""
    environment = os.environ | PRODUCTION | {"COLDGAP_ALLOWED_HOSTS": "*"}
    done = subprocess.run(
        [sys.executable, "-c", "import shop.wsgi"],
        env=environment,
        cwd=BASE_DIR,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode != 0
    assert "shop.E005" in done.stderr


def test_a_worker_without_a_broker_does_not_start():
    done = subprocess.run(
        [sys.executable, "-m", "celery", "-A", "shop", "worker"],
        env=os.environ | {"REDIS_URL": ""},
        cwd=BASE_DIR,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode != 0
    assert "REDIS_URL is not set" in done.stderr


GOOD_API = {
    "DEFAULT_PERMISSION_CLASSES": ["api.permissions.RoleOrScope"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
}
GOOD_MIDDLEWARE = ["django.contrib.auth.middleware.LoginRequiredMiddleware"]


@pytest.mark.parametrize(
    ("api", "middleware", "number"),
    [
        ({"DEFAULT_PERMISSION_CLASSES": ["rest_framework.permissions.AllowAny"]}, [], 10),
        ({"DEFAULT_PERMISSION_CLASSES": ["rest_framework.permissions.IsAuthenticatedOrReadOnly"]}, [], 10),
        ({"DEFAULT_PERMISSION_CLASSES": []}, [], 10),
        ({"DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.BrowsableAPIRenderer"]}, [], 11),
        ({"DEFAULT_THROTTLE_CLASSES": ["rest_framework.throttling.UserRateThrottle"]}, [], 12),
        ({}, ["django.middleware.gzip.GZipMiddleware"], 13),
    ],
)
def test_an_open_api_is_refused(api, middleware, number):
    assert list(checks._web_errors(GOOD_API, GOOD_MIDDLEWARE)) == []
    found = checks._web_errors(GOOD_API | api, GOOD_MIDDLEWARE + middleware)
    assert ids(found) == [f"shop.E{number:03}"]


def test_pages_that_are_open_by_default_are_refused():
    assert ids(checks._web_errors(GOOD_API, [])) == ["shop.E014"]


@pytest.mark.parametrize(
    ("name", "value", "number"),
    [
        ("CELERY_ACCEPT_CONTENT", ["json", "pickle"], 20),
        ("CELERY_RESULT_BACKEND", "redis://127.0.0.1/1", 21),
        ("CELERY_BROKER_TRANSPORT_OPTIONS", {"socket_timeout": 1}, 22),
        ("CELERY_BROKER_TRANSPORT_OPTIONS", {"socket_timeout": 30, "socket_connect_timeout": 1}, 22),
    ],
)
def test_a_celery_that_could_hang_or_run_code_is_refused(settings, name, value, number):
    assert checks.check_celery() == []
    setattr(settings, name, value)
    assert ids(checks.check_celery()) == [f"shop.E{number:03}"]


# --- The database ----------------------------------------------------------------------------------------


@pytest.mark.django_db
def test_the_database_as_it_is_set_up_passes():
    assert checks.check_databases(databases=["default"]) == []


@pytest.mark.sqlite
@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize(
    ("pragma", "number"),
    [
        ("synchronous = NORMAL", 31),
        ("synchronous = OFF", 31),
        ("recursive_triggers = OFF", 31),
        ("foreign_keys = OFF", 31),
        ("journal_mode = DELETE", 31),
        ("busy_timeout = 1000", 32),
    ],
)
def test_other_settings_of_sqlite_are_refused(pragma, number):
    with connection.cursor() as cursor:
        cursor.execute(f"PRAGMA {pragma}")
    try:
        assert ids(checks.check_databases(databases=["default"])) == [f"shop.E{number:03}"]
    finally:
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA journal_mode = WAL")
        connection.close()


@pytest.mark.sqlite
@pytest.mark.django_db(transaction=True)
def test_transactions_that_begin_deferred_are_refused():
    connection.ensure_connection()
    connection.transaction_mode = None
    try:
        assert ids(checks.check_databases(databases=["default"])) == ["shop.E032"]
    finally:
        connection.close()


@pytest.mark.sqlite
def test_djangos_own_sqlite_backend_is_refused():
    code = (
        "import django; from django.conf import settings;"
        "settings.DATABASES['default'] |= {'ENGINE': 'django.db.backends.sqlite3', 'OPTIONS': {}};"
        "django.setup(); from shop.checks import refuse_unsafe_start; refuse_unsafe_start()"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=os.environ,
        cwd=BASE_DIR,
        capture_output=True,
        text=True,
        check=False,
    )
    for number in ("shop.E031", "shop.E032", "shop.E033"):
        assert number in done.stderr


@pytest.mark.broken_books
@pytest.mark.django_db
def test_a_missing_trigger_is_named():
    name = "inventory_movementseal_checks"
    with connection.cursor() as cursor:
        on = " ON inventory_movementseal" if connection.vendor == "postgresql" else ""
        cursor.execute(f"DROP TRIGGER {name}{on}")
    found = checks.check_databases(databases=["default"])
    assert ids(found) == ["shop.E034"]
    assert name in found[0].msg
    with pytest.raises(SystemCheckError, match=name):
        checks.refuse_unsafe_start()


def test_a_server_waits_for_a_database_that_is_away_and_others_say_so(monkeypatch):
    """gunicorn ends, with all its workers, when one of them cannot start."""
    tried = []

    def away_twice(databases):
        tried.append(databases)
        if len(tried) % 3:
            raise OperationalError("the connection is refused")
        return []

    monkeypatch.setattr(checks.checks, "run_checks", away_twice)
    monkeypatch.setattr(checks, "WAIT_SECONDS", 0)
    checks.refuse_unsafe_start(wait=True)
    assert len(tried) == 3
    with pytest.raises(OperationalError):
        checks.refuse_unsafe_start()


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize(("role", "refused"), [("coldgap_owner", True), ("coldgap_app", False)])
def test_in_production_the_owner_of_the_tables_is_no_role_for_the_service(role, refused):
    environment = program_environment(**PRODUCTION)
    environment["DATABASE_URL"] = environment["DATABASE_URL"].replace("coldgap_app", role)
    done = subprocess.run(
        [sys.executable, "-c", "import shop.wsgi"],
        env=environment,
        cwd=BASE_DIR,
        capture_output=True,
        text=True,
        check=False,
    )
    assert ("shop.E035" in done.stderr) is refused
    assert (done.returncode != 0) is refused, done.stderr
