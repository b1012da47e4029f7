"""The service as docker-compose.yml starts it: tables of one role, served as another, over a pool."""

import os
import secrets
import subprocess
import sys
import time

import psycopg
import pytest
from psycopg import sql

from shop.settings import BASE_DIR
from tests.environment import APP_URL, SERVER_URL
from tests.servers.children import wait_until
from tests.servers.web import WebServer

pytestmark = [pytest.mark.postgresql]
DATABASE = "production_trial"
HOST = "shims.example"


@pytest.fixture(scope="module")
def environment(tmp_path_factory):
    """A database of its own, migrated by its owner, static files collected; what a server then has."""
    owner_url, app_url = (os.environ[name].rsplit("/", 1)[0] for name in (SERVER_URL, APP_URL))
    name = sql.Identifier(DATABASE)
    with psycopg.connect(os.environ[SERVER_URL], autocommit=True) as server:
        server.execute(sql.SQL("CREATE DATABASE {}").format(name))
    variables = {
        "PATH": os.environ["PATH"],
        "COLDGAP_ENV": "production",
        "COLDGAP_SECRET_KEY": secrets.token_urlsafe(64),
        "COLDGAP_ALLOWED_HOSTS": HOST,
        "DATABASE_URL": f"{app_url}/{DATABASE}",
        "COLDGAP_STATIC_ROOT": str(tmp_path_factory.mktemp("static")),
        "REDIS_URL": "",
    }
    manage("migrate", variables | {"DATABASE_OWNER_URL": f"{owner_url}/{DATABASE}"})
    manage("collectstatic", variables)
    yield variables
    with psycopg.connect(os.environ[SERVER_URL], autocommit=True) as server:
        server.execute(sql.SQL("DROP DATABASE {} WITH (FORCE)").format(name))


def manage(command, environment):
    done = subprocess.run(
        [sys.executable, "manage.py", command, "--no-input", "-v0"],
        cwd=BASE_DIR,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr


@pytest.fixture(scope="module")
def web(environment, tmp_path_factory):
    server = WebServer(log=tmp_path_factory.mktemp("web") / "log", environment=environment)
    try:
        server.wait_ready(host=HOST)
        yield server
        assert server.stop() == 0, server.child.tail()
    finally:
        server.child.kill()


def cut_every_connection(environment):
    """What a restart of the database does to those who are connected."""
    with psycopg.connect(environment["DATABASE_URL"], autocommit=True) as one_of_them:
        others = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE usename = current_user"
        return one_of_them.execute(f"{others} AND pid <> pg_backend_pid()").rowcount


def test_it_serves_as_the_role_that_owns_nothing(web, environment):
    assert web.get("/healthz") == (200, b'{"status": "alive"}')
    with psycopg.connect(environment["DATABASE_URL"]) as connection:
        owned = "SELECT count(*) FROM pg_tables WHERE tableowner = current_user"
        assert connection.execute(owned).fetchone() == (0,)


def test_pages_are_led_to_tls_and_another_hosts_name_is_refused(web):
    assert web.get("/log-in")[0] == 301
    # As a proxy on the same machine says it, which gunicorn believes.
    status, page = web.get("/log-in", {"X-Forwarded-Proto": "https"})
    assert status == 200
    assert b"/static/" in page
    assert web.get("/log-in", {"Host": "elsewhere.example"})[0] == 400


def test_connections_that_were_cut_are_replaced_without_a_restart(web, environment):
    for _ in range(8):
        assert web.get("/readyz")[0] == 200
    assert cut_every_connection(environment) >= 1
    began = time.monotonic()
    wait_until(lambda: web.get("/readyz")[0] == 200, seconds=5, what="the server to be ready again")
    assert time.monotonic() - began < 2
    assert all(web.get("/readyz")[0] == 200 for _ in range(8))
