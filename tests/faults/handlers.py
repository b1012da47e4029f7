"""What the tests' tasks do. An effect is a row that nothing keeps from being there twice but the fence."""

import os
import time
from datetime import timedelta
from pathlib import Path

from shop.background.registry import periodic, task_handler

KINDS = ("at_failpoint", "quick", "endless", "tick")


def has_effect(task) -> None:
    # Models load only once Django is set up, and Celery imports this file before.
    from shop.models import OutboxEvent  # noqa: PLC0415

    now = task.now()
    OutboxEvent.objects.create(
        kind="effect", payload={"of": str(task.id), "fence": task.fence}, created_at=now, delivered_at=now
    )


@task_handler("at_failpoint")
def at_failpoint(task):
    """Get half way, wait for a file to be there, then have an effect and be done, in one transaction."""
    task.heartbeat(50, "half way")
    while not Path(task.payload["until"]).exists():
        time.sleep(0.02)
    with task.commit({"fence": task.fence}):
        has_effect(task)


@task_handler("quick")
def quick(task):
    with task.commit({}):
        has_effect(task)


@task_handler("endless")
def endless(task):
    """Computes for ever and never says a word."""
    while True:
        time.sleep(0.01)


def tick(task):
    has_effect(task)


if "COLDGAP_TEST_TICKS" in os.environ:
    periodic("tick", every=timedelta(seconds=1))(tick)
