"""The demo: makes the database and the invented shop once, issues a fresh key, and serves on loopback."""

import logging
import os
import signal
import time
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connection, connections
from django.db.migrations.executor import MigrationExecutor
from django.utils import timezone

from shop.demo.build import PAST_JOBS, build_shop, is_empty, is_there, stands_on
from shop.demo.keys import issue_demo_key
from shop.demo.people import PASSWORDS, PEOPLE, SHOWN
from shop.demo.premises import SHOP_NAME
from shop.demo.server import (
    HOST,
    AlreadyRunningError,
    DemoServer,
    NoPortError,
    alone_with,
    claim_port,
)

DEFAULT_PORT = 8000


class Command(BaseCommand):
    help = "Make the invented shop (once) and serve it on loopback, background work included."
    # Some checks ask the database, which is not there yet; all of them run when the application is loaded.
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--port", type=int, default=DEFAULT_PORT, help="the port on 127.0.0.1")
        parser.add_argument("--reset", action="store_true", help="throw the demo's database away and rebuild")
        parser.add_argument("--build-only", action="store_true", help="make the shop and do not serve")
        parser.add_argument(
            "--past-jobs", type=int, default=PAST_JOBS, help="how many jobs a new shop has behind it"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        # A shell that starts commands in the background has them ignore Ctrl-C; whoever sends it means it.
        signal.signal(signal.SIGINT, signal.default_int_handler)
        self._refuse_elsewhere()
        if not 1 <= options["port"] <= 65_535:
            raise CommandError(f"{options['port']} is no port: choose one from 1 to 65535.")
        data_dir = Path(settings.DATA_DIR)
        data_dir.mkdir(parents=True, exist_ok=True)
        try:
            with alone_with(data_dir):
                self._run(options)
        except AlreadyRunningError as error:
            raise CommandError(
                f"A demo runs on {data_dir} already: stop it, or set COLDGAP_DATA_DIR to another folder."
            ) from error
        except NoPortError as error:
            raise CommandError(f"{error} Choose another: make demo PORT={DEFAULT_PORT + 123}") from error
        except KeyboardInterrupt:
            # What was being built is one transaction: it is gone, and the next start builds it anew.
            raise CommandError("Stopped; nothing half-built is left.", returncode=130) from None

    def _run(self, options: dict[str, Any]) -> None:
        listener = None if options["build_only"] else claim_port(options["port"])
        if options["reset"]:
            self._throw_away()
        self._migrate()
        self._build(options["past_jobs"])
        if listener is None:
            return
        # Only now: loading it runs the checks, and some of them ask the database.
        from shop.wsgi import application  # noqa: PLC0415

        if "COLDGAP_LOG_LEVEL" not in os.environ:
            # A line for every request would carry the address and the key off the screen.
            logging.getLogger().setLevel(logging.WARNING)
        self._say(f"http://{HOST}:{options['port']}/", issue_demo_key(at=timezone.now()))
        DemoServer(application, listener).run()

    def _refuse_elsewhere(self) -> None:
        if settings.PRODUCTION:
            raise CommandError("The demo's log-ins are public: it does not run with COLDGAP_ENV=production.")
        if connection.vendor != "sqlite":
            raise CommandError("The demo makes its own SQLite database: unset DATABASE_URL.")

    def _throw_away(self) -> None:
        """Remove the database files, if what is in them is the demo's."""
        path = Path(settings.DATABASES["default"]["NAME"])
        if path.exists() and not (is_there() or is_empty()):
            raise CommandError(f"{path} holds another shop than the demo's; it is not thrown away.")
        connections.close_all()
        for suffix in ("-wal", "-shm", ""):
            path.with_name(path.name + suffix).unlink(missing_ok=True)

    def _migrate(self) -> None:
        executor = MigrationExecutor(connection)
        if executor.migration_plan(executor.loader.graph.leaf_nodes()):
            call_command("migrate", verbosity=0, interactive=False)

    def _build(self, past_jobs: int) -> None:
        if is_there():
            return
        if not is_empty():
            raise CommandError(
                f"{settings.DATABASES['default']['NAME']} holds another shop than the demo's. "
                "Set COLDGAP_DATA_DIR to another folder."
            )
        self.stdout.write(f"Building {SHOP_NAME}, two years of it …")
        self.stdout.flush()
        began = time.monotonic()
        build_shop(now=timezone.now(), past_jobs=past_jobs)
        self.stdout.write(f"Built in {time.monotonic() - began:.0f} s.")

    def _say(self, address: str, key: str) -> None:
        shown = {person.username: person for person in PEOPLE}
        self.stdout.write(f"\n{SHOP_NAME}, an invented shop\n\nAddress: {address}\n\nLog-ins:")
        for username in SHOWN:
            person = shown[username]
            self.stdout.write(f"  {person.role.label:<14} {username:<6} {PASSWORDS[person.role]}")
        self.stdout.write(f"\nAPI key: {key}\n\nStop with Ctrl-C.")
        if (day := stands_on()) != timezone.now().date():
            self.stdout.write(f"The shop stands as on {day}; manage.py demo --reset builds it as of today.")
        self.stdout.flush()
