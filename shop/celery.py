"""Celery for shops that run more than one process. A message carries a task's id and nothing else; rows,
leases and results are the database's, so that a message lost, late or doubled does no harm (law 3).

    celery -A shop worker --concurrency 2
    celery -A shop beat
"""

import os
from typing import Any

from celery import Celery, signals
from celery.beat import Scheduler

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.settings")

from django.conf import settings
from django.core.management.base import SystemCheckError
from django.utils import timezone

from shop.logging import configure

app = Celery("coldgap")
app.config_from_object("django.conf:settings", namespace="CELERY")
_pump_seconds = settings.COLDGAP["PUMP_SECONDS"]
app.conf.beat_schedule = {
    # With no worker there the pumps must not heap up.
    "pump": {"task": "shop.pump", "schedule": _pump_seconds, "options": {"expires": _pump_seconds}},
}
app.conf.beat_scheduler = "shop.celery:ForgetfulScheduler"


class ForgetfulScheduler(Scheduler):
    """Keeps no file: which slots have had their run is written in the database."""

    def setup_schedule(self) -> None:
        self.install_default_entries({})
        self.merge_inplace(self.app.conf.beat_schedule)


@app.task(name="shop.run_task")
def run_task(task_id: str) -> None:
    """Work one row, if it is still to be worked."""
    from shop.background.work import run_task as work_row  # noqa: PLC0415 - models load after this file

    work_row(task_id)


@app.task(name="shop.pump")
def pump() -> None:
    """Sweep lost tasks, start what is due by the clock, publish what waits."""
    from shop.background.pump import pump as pump_rows  # noqa: PLC0415 - models load after this file

    pump_rows(at=timezone.now())


@signals.setup_logging.connect
def log_as_the_service_does(**_: Any) -> None:
    configure(settings.LOGGING)


@signals.worker_init.connect
@signals.beat_init.connect
def refuse_to_start_unsafely(**_: Any) -> None:
    """The web server's checks hold for workers too, and they need a broker.

    Ends the process: Celery only logs other exceptions of a signal's receiver, and goes on.
    """
    from shop.checks import refuse_unsafe_start  # noqa: PLC0415 - models load after this file

    if not settings.REDIS_URL:
        raise SystemExit("REDIS_URL is not set: a Celery worker has nothing to listen to.")
    try:
        refuse_unsafe_start()
    except SystemCheckError as refusal:
        raise SystemExit(str(refusal)) from refusal
