"""The service for bench_api as an installation runs it: gunicorn on PostgreSQL, the invented shop in it."""

import os
import secrets
import subprocess
import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path

import django
from django.utils import timezone

from tests import environment
from tests.servers.web import WebServer

ROOT = Path(__file__).resolve().parents[2]
HOST = "bench.example"
HEADERS = {"Host": HOST, "X-Forwarded-Proto": "https"}
DATABASE = "bench_api"


def served(stack: ExitStack, *, past_jobs: int) -> tuple[str, str]:
    """Start it; what it needs is stopped and removed with the stack. Its address and a key for everything."""
    folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="coldgap-bench-")))
    os.environ[environment.CHOICE] = "postgresql"
    environment.prepare()
    environment.make_database(DATABASE)
    owner, app = (
        os.environ["DATABASE_URL"],
        f"{os.environ[environment.APP_URL].rpartition('/')[0]}/{DATABASE}",
    )
    variables = {
        "PATH": os.environ["PATH"],
        "COLDGAP_ENV": "production",
        "COLDGAP_SECRET_KEY": secrets.token_urlsafe(64),
        "COLDGAP_ALLOWED_HOSTS": HOST,
        "COLDGAP_BEHIND_TLS_PROXY": "1",
        "COLDGAP_STATIC_ROOT": str(folder / "static"),
        "DATABASE_URL": app,
        "REDIS_URL": "",
    }
    for command in ("migrate", "collectstatic"):
        subprocess.run(
            [sys.executable, "manage.py", command, "--no-input", "-v0"],
            cwd=ROOT,
            env=variables | {"DATABASE_OWNER_URL": owner},
            check=True,
        )
    os.environ["DATABASE_URL"] = app
    key = _filled(past_jobs)
    server = WebServer(
        log=folder / "log",
        environment=variables | {"PYTHONPATH": str(ROOT)},
        application="tests.bench.beside_wsgi",
    )
    stack.callback(server.child.stop)
    server.wait_ready(host=HOST, seconds=60)
    return f"http://127.0.0.1:{server.port}", key


def _filled(past_jobs: int) -> str:
    django.setup()
    from api.services.keys import issue_key  # noqa: PLC0415 - these need django.setup()
    from shop.actor import service_actor  # noqa: PLC0415
    from shop.demo.build import build_shop  # noqa: PLC0415
    from shop.demo.people import KEY_HOLDER  # noqa: PLC0415
    from shop.models import Site, User  # noqa: PLC0415
    from shop.roles import SCOPES  # noqa: PLC0415

    build_shop(now=timezone.now(), past_jobs=past_jobs)
    holder = User.objects.get(username=KEY_HOLDER)
    _, key = issue_key(
        actor=service_actor(),
        at=timezone.now(),
        name="Bench",
        user=holder,
        sites=Site.objects.filter(memberships__user=holder),
        scopes=SCOPES,
        requests_per_minute=1_000_000,
    )
    return key
