"""Who may work on a task and who may finish it. Every step is one conditional UPDATE, so that of many
workers one gets it, and one who was believed dead and comes back changes nothing.

The fence is the number of the claim. A step that names an old number touches no row, and says so.
"""

from datetime import datetime, timedelta
from random import SystemRandom
from typing import Any

from django.db.models import F, Q, Value
from django.db.models.functions import Greatest

from shop.conf import conf
from shop.db import write_transaction
from shop.models import Task

MOST_ATTEMPTS = 5
MOST_LOST = 3
FIRST_PAUSE = timedelta(seconds=2)
SWEPT_AT_ONCE = 100
# So far the clocks of two machines may differ.
CLOCKS_APART = timedelta(minutes=5)
_jitter = SystemRandom()


class LeaseLost(Exception):
    """The task is somebody else's by now, or was cancelled: whatever is unfinished must not be finished."""


@write_transaction
def claim(task_id: object, *, at: datetime) -> Task | None:
    """The task, now ours until its lease ends; None when it is not due, not waiting, or another's."""
    taken = Task.objects.filter(pk=task_id, state=Task.State.QUEUED, run_after__lte=at).update(
        state=Task.State.RUNNING, lease_until=at + conf.task_lease, fence=F("fence") + 1
    )
    return Task.objects.get(pk=task_id) if taken else None


def due(*, at: datetime, limit: int) -> list[object]:
    """Ids of tasks that wait and are due, the first asked for first."""
    waiting = Task.objects.filter(state=Task.State.QUEUED, run_after__lte=at)
    return list(waiting.order_by("id").values_list("pk", flat=True)[:limit])


def _ours(task: Task):
    return Task.objects.filter(pk=task.pk, state=Task.State.RUNNING, fence=task.fence)


@write_transaction
def extend(task: Task, *, at: datetime, progress: int | None = None, message: str | None = None) -> None:
    """Keep the task for another lease, and say how far it is. Progress never goes back."""
    changes: dict[str, Any] = {"lease_until": at + conf.task_lease}
    if progress is not None:
        changes["progress"] = Greatest(F("progress"), Value(max(0, min(progress, 100))))
    if message is not None:
        changes["message"] = message[:200]
    if not _ours(task).update(**changes):
        raise LeaseLost(f"task {task.pk} is no longer held under number {task.fence}")


def finish(task: Task, *, at: datetime, result: dict[str, Any] | None) -> None:
    """Done. Runs first in the caller's transaction: the row is locked before its effect is written."""
    finished = _ours(task).update(
        state=Task.State.DONE, lease_until=None, finished_at=at, progress=100, result=result, error=""
    )
    if not finished:
        raise LeaseLost(f"task {task.pk} is no longer held under number {task.fence}")


@write_transaction
def give_up(task: Task, *, at: datetime, reason: str) -> None:
    """Failed for good, at once: the task asks for something that will never be possible."""
    _ours(task).update(state=Task.State.FAILED, lease_until=None, finished_at=at, error=reason)


@write_transaction
def try_later(task: Task, *, at: datetime, reason: str, pause: timedelta | None = None) -> None:
    """An attempt went wrong: wait a growing while and try again, five attempts in all, then failed."""
    if task.attempts + 1 >= MOST_ATTEMPTS:
        _ours(task).update(
            state=Task.State.FAILED,
            lease_until=None,
            finished_at=at,
            attempts=F("attempts") + 1,
            error=f"Tried {MOST_ATTEMPTS} times. {reason}",
        )
        return
    wait = pause if pause is not None else FIRST_PAUSE * 4**task.attempts * _jitter.uniform(0.5, 1.5)
    _ours(task).update(
        state=Task.State.QUEUED,
        lease_until=None,
        attempts=F("attempts") + 1,
        run_after=at + wait,
        published_at=None,
        error=reason,
    )


@write_transaction
def sweep(*, at: datetime) -> int:
    """Put tasks whose worker was not heard of again back in the queue; how many. After the third time failed.

    Safe to run twice and at once: a row that another sweep or its own worker has locked is passed over.
    """
    # No clock of ours makes a lease as long as that, unless it was put back since.
    too_long = Q(lease_until__gt=at + conf.task_lease + CLOCKS_APART)
    over = Q(state=Task.State.RUNNING) & (Q(lease_until__lt=at) | too_long)
    lost = Task.objects.filter(over)
    ids = list(
        lost.order_by("id").select_for_update(skip_locked=True).values_list("pk", flat=True)[:SWEPT_AT_ONCE]
    )
    still_lost = over & Q(pk__in=ids)
    failed = Task.objects.filter(still_lost, lost__gte=MOST_LOST - 1).update(
        state=Task.State.FAILED,
        lease_until=None,
        finished_at=at,
        lost=F("lost") + 1,
        error=f"Its worker stopped without a word {MOST_LOST} times.",
    )
    requeued = Task.objects.filter(still_lost).update(
        state=Task.State.QUEUED, lease_until=None, lost=F("lost") + 1, published_at=None
    )
    return failed + requeued
