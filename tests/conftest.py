"""Which tests run against which database, and what holds after each of them."""

import gc
import os
import socket
from collections.abc import Iterator
from pathlib import Path

import django
import psycopg
import pytest

from tests import environment

# Before anything reads the settings: pytest-django would do it only after this file.
environment.prepare()
django.setup()

# isort: split
from django.conf import settings as project_settings
from django.core.management import call_command
from django.core.servers.basehttp import WSGIRequestHandler
from django.db import connection

from tests.audited import differences
from tests.flushing import acting_as_owner, allow_flush
from tests.migrated import Migrated
from tests.people import counter, manager, other_site, outsider, site, technician
from tests.servers.postgres import APP
from tests.servers.valkey import ValkeyServer

__all__ = ["counter", "manager", "other_site", "outsider", "site", "technician"]

# A test's client starts the service anew; without this each would first walk through all static files.
project_settings.WHITENOISE_AUTOREFRESH = True

# The live server writes an answer in pieces. Each would wait until the client has said that it got the one
# before, which a client is in no hurry to do: 40 ms to an answer.
WSGIRequestHandler.disable_nagle_algorithm = True

FURNISHED = "furniture_of_the_session"
DATABASE_FIXTURES = frozenset(
    {"db", "transactional_db", "django_db_serialized_rollback", "django_db_reset_sequences", "live_server"}
)


def pytest_addoption(parser):
    parser.addoption("--long", action="store_true", help="run the full figures too (make test-long)")


def needs_database(item) -> bool:
    """Whether Django's test database is set up for the test."""
    asked_for = DATABASE_FIXTURES & set(getattr(item, "fixturenames", ()))
    return bool(item.get_closest_marker("django_db") or asked_for)


def concerns_databases(item) -> bool:
    return needs_database(item) or any(map(item.get_closest_marker, ("db_both", "postgresql")))


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config, items):
    """On PostgreSQL only what touches the database runs: the rest is the same there and has run on SQLite."""
    on_postgresql = environment.database_choice() == "postgresql"
    kept, dropped = [], []
    for item in items:
        foreign = "sqlite" if on_postgresql else "postgresql"
        fits = item.get_closest_marker(foreign) is None and (not on_postgresql or concerns_databases(item))
        timely = config.getoption("--long") or item.get_closest_marker("long") is None
        (kept if fits and timely else dropped).append(item)
    if dropped:
        config.hook.pytest_deselected(items=dropped)
        items[:] = kept
    # The furnished shop (tests/ui/conftest.py) stays until the session ends: who works without it goes first.
    items.sort(key=lambda item: FURNISHED in getattr(item, "fixturenames", ()))


def pytest_collection_finish(session):
    """What is loaded by now stays to the end. To look through all of it for garbage again and again took a
    fifth of the time."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 50)


@pytest.fixture(scope="session")
def migrated(django_db_modify_db_settings_parallel_suffix) -> Migrated | None:
    """The migrated database of this run; None where each session makes its own."""
    run_folder = os.environ.get(environment.RUN_FOLDER)
    return Migrated(connection, Path(run_folder)) if run_folder else None


@pytest.fixture(scope="session")
def django_db_modify_db_settings(django_db_modify_db_settings, migrated) -> None:
    """A file of its own for SQLite: in memory there would be neither WAL nor other processes."""
    worker = os.environ.get("PYTEST_XDIST_WORKER", "main")
    names = connection.settings_dict["TEST"]
    if connection.vendor == "sqlite":
        names["NAME"] = str(Path(os.environ[environment.FOLDER]) / f"{worker}.sqlite3")
    elif migrated is not None:
        # The sessions of a run have one server.
        names["NAME"] = f"test_{os.getpid()}_{worker}"


@pytest.fixture(scope="session")
def django_db_keepdb(django_db_modify_db_settings, migrated) -> bool:
    """Whether there is a database to begin with, migrated by another session of this run."""
    return migrated is not None and migrated.copy(connection.settings_dict["TEST"]["NAME"])


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup, django_db_blocker, migrated) -> Iterator[None]:
    """The migrated database. On PostgreSQL every test then works with the rights that the service has in
    production, as `grant_app_role` gives them; one marked `owner` works with the owner's."""
    allow_flush(connection)
    if migrated is not None:
        with django_db_blocker.unblock():
            migrated.leave()
    if connection.vendor != "postgresql":
        yield
        return
    with django_db_blocker.unblock():
        call_command("grant_app_role", APP, verbosity=0)
        connection.close()
    connection.settings_dict["OPTIONS"]["assume_role"] = APP
    yield
    # To drop the database takes its owner.
    del connection.settings_dict["OPTIONS"]["assume_role"]
    with django_db_blocker.unblock():
        connection.close()


@pytest.fixture
def app_role_connection(transactional_db) -> Iterator[psycopg.Connection]:
    """A connection as the role that the service uses in production; only on PostgreSQL."""
    url = os.environ[environment.APP_URL].rsplit("/", 1)[0] + "/" + connection.settings_dict["NAME"]
    with psycopg.connect(url, autocommit=True) as restricted:
        yield restricted


@pytest.fixture(scope="session")
def valkey() -> Iterator[ValkeyServer]:
    """The broker, running; a test that stops it starts it again."""
    server = ValkeyServer()
    server.start()
    yield server
    server.remove()


@pytest.fixture(autouse=True)
def rights(request) -> Iterator[None]:
    """The rights of the tables' owner for tests marked so, before any of their own fixtures runs."""
    marked = request.node.get_closest_marker("owner") or request.node.get_closest_marker("broken_books")
    if marked is None or not needs_database(request.node):
        yield
        return
    request.getfixturevalue("django_db_setup")
    with acting_as_owner(connection):
        yield


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item):
    """After each test that touched the database the books balance (bar L2), whatever it was about."""
    result = yield
    audited = needs_database(item) and item.get_closest_marker("broken_books") is None
    # A transaction that a test broke on purpose answers no question; it is rolled back as a whole.
    if audited and not connection.needs_rollback:
        found = differences()
        assert not found, f"the books do not balance after this test: {found}"
    return result


@pytest.fixture
def silent_port() -> Iterator[int]:
    """A port of 127.0.0.1 that accepts connections and never says a word."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen(50)
        yield listener.getsockname()[1]


@pytest.fixture(scope="session")
def size(pytestconfig):
    """`size(small, full)`: the full figure under --long, the small one otherwise."""

    def choose(small, full):
        return full if pytestconfig.getoption("--long") else small

    return choose
