"""The API's own chores; loaded at start so that they are registered."""

from datetime import timedelta

from api.models import KeptAnswer, TrailEntry
from shop.background.context import TaskContext
from shop.background.registry import periodic
from shop.conf import conf
from shop.db import write_transaction

PURGED_AT_ONCE = 500


@periodic("purge_kept_answers", every=timedelta(hours=1))
def purge_kept_answers(task: TaskContext) -> dict[str, int]:
    """Forget answers that were kept long enough, some at a time, so that no writer waits long."""
    before = task.now() - conf.idempotency_time
    old = KeptAnswer.objects.filter(created_at__lt=before).order_by("created_at")
    removed = 0
    while ids := list(old.values_list("pk", flat=True)[:PURGED_AT_ONCE]):
        removed += _forget(ids)
        task.heartbeat(50, "Forgetting old answers")
    return {"answers": removed}


@periodic("purge_audit_trail", every=timedelta(days=1))
def purge_audit_trail(task: TaskContext) -> dict[str, int]:
    """Forget who did what once it is older than the shop keeps it."""
    old = TrailEntry.objects.filter(at__lt=task.now() - conf.trail_time).order_by("at")
    removed = 0
    while ids := list(old.values_list("pk", flat=True)[:PURGED_AT_ONCE]):
        removed += _forget(ids, TrailEntry)
        task.heartbeat(50, "Forgetting old entries of the audit trail")
    return {"entries": removed}


@write_transaction
def _forget(ids: list[object], kind: type[KeptAnswer | TrailEntry] = KeptAnswer) -> int:
    return kind.objects.filter(pk__in=ids).delete()[0]
