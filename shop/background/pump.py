"""Celery's side of the rows: what a beat has the worker do every few seconds."""

from datetime import datetime, timedelta

import structlog
from django.db.models import Q

from shop.background import work
from shop.background.announce import publish
from shop.models import Task

# The broker may have lost what it was told: a row that still waits after this long is published again.
PUBLISH_AGAIN_AFTER = timedelta(seconds=60)
PUBLISHED_AT_ONCE = 200
_log = structlog.get_logger("coldgap.background")


def pump(*, at: datetime) -> int:
    """Sweep, start, hand on (see `work.tidy`), then publish the rows that are due; how many."""
    work.tidy(at)
    unheard = Q(published_at=None) | Q(published_at__lt=at - PUBLISH_AGAIN_AFTER)
    waiting = Task.objects.filter(unheard, state=Task.State.QUEUED, run_after__lte=at)
    ids = list(waiting.order_by("id").values_list("pk", flat=True)[:PUBLISHED_AT_ONCE])
    for task_id in ids:
        publish(task_id)
    Task.objects.filter(pk__in=ids).update(published_at=at)
    return len(ids)
