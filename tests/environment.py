"""What the tests run against: set before Django reads its settings, and nothing of it from this machine.

COLDGAP_TEST_DATABASE is `sqlite` (the default) or `postgresql`. Either way the database is a real one that
other threads and processes can open: a file under a temporary folder, or a server that is started here.
"""

import atexit
import os
import shutil
import tempfile
from pathlib import Path

import psycopg
from psycopg import sql

from tests.servers.postgres import OWNER, PostgresServer

CHOICE = "COLDGAP_TEST_DATABASE"
# Handed down to the workers of pytest-xdist, which share what the first process made.
FOLDER = "COLDGAP_TEST_FOLDER"
SERVER_URL = "COLDGAP_TEST_POSTGRES_URL"
APP_URL = "COLDGAP_TEST_POSTGRES_APP_URL"
# What tests/run.py has for all of its sessions: a folder, with the migrated SQLite database as a file in it.
RUN_FOLDER = "COLDGAP_TEST_RUN"
MIGRATED_FILE = "migrated.sqlite3"
KEPT = (CHOICE, FOLDER, SERVER_URL, APP_URL, RUN_FOLDER, "COLDGAP_TEST_DATA")
FOREIGN = ("DATABASE_URL", "DATABASE_OWNER_URL", "REDIS_URL", "SECRET_KEY", "DJANGO_ALLOW_ASYNC_UNSAFE")


def database_choice() -> str:
    choice = os.environ.get(CHOICE, "sqlite")
    if choice not in {"sqlite", "postgresql"}:
        raise SystemExit(f"{CHOICE} is {choice!r}; it may be sqlite or postgresql.")
    return choice


def prepare() -> None:
    """Clear the environment of what could reach the settings, make the folder, start the server."""
    for name in list(os.environ):
        if name in FOREIGN or (name.startswith(("COLDGAP_", "CELERY_", "PG")) and name not in KEPT):
            del os.environ[name]
    os.environ["DJANGO_SETTINGS_MODULE"] = "shop.settings"
    os.environ["COLDGAP_DATA_DIR"] = str(_folder())
    # A stream that nobody closes must not keep a test waiting for a minute.
    os.environ["COLDGAP_STREAM_SECONDS"] = "2"
    # A test's threads and processes open connections of their own.
    os.environ["COLDGAP_DATABASE_POOL_SIZE"] = "0"
    if database_choice() == "postgresql":
        os.environ["DATABASE_URL"] = _server_url()
    else:
        os.environ["DATABASE_URL"] = f"sqlite:///{_folder() / 'unused.sqlite3'}"


def make_database(name: str) -> None:
    """An empty database on the server that `prepare` started, for a bench: from now on the one in use."""
    server = os.environ[SERVER_URL]
    with psycopg.connect(server, autocommit=True) as owner:
        owner.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(name)))
    os.environ["DATABASE_URL"] = f"{server.rpartition('/')[0]}/{name}"


def _folder() -> Path:
    known = os.environ.get(FOLDER)
    if known is None:
        known = tempfile.mkdtemp(prefix="coldgap-tests-")
        os.environ[FOLDER] = known
        atexit.register(shutil.rmtree, known, ignore_errors=True)
    return Path(known)


def _server_url() -> str:
    known = os.environ.get(SERVER_URL)
    if known is None:
        server = PostgresServer()
        server.start()
        atexit.register(server.remove)
        known = os.environ[SERVER_URL] = server.url(OWNER)
        os.environ[APP_URL] = server.url("coldgap_app")
    return known
