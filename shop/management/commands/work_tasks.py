"""Work background tasks in this process: for an installation without Celery that has a process to spare."""

import signal
import threading
from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from shop.background.loop import WORKERS, run_loop
from shop.background.work import work_once


class Command(BaseCommand):
    help = "Works background tasks until it is told to stop; with --once, what is due now."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--once", action="store_true", help="do what is due and end")
        parser.add_argument(
            "--workers", type=int, default=WORKERS, help="tasks at a time (default %(default)s)"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        if options["once"]:
            ran = work_once()
            self.stdout.write(f"{ran} {'task' if ran == 1 else 'tasks'} done.")
            return
        stop = threading.Event()
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda *_: stop.set())
        run_loop(stop, workers=options["workers"])
