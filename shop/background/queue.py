"""Write down work for later, in the transaction that causes it: both are there, or neither."""

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from django.db import transaction

from shop.background import registry
from shop.background.announce import announce, work_is_waiting
from shop.db import write_transaction
from shop.errors import WrongState
from shop.models import OutboxEvent, Site, Task, User

# Not the moment of the asking: a worker whose clock is behind the asker's would wait for it.
AT_ONCE = datetime(2000, 1, 1, tzinfo=UTC)


@write_transaction
def queue_task(
    kind: str,
    payload: Mapping[str, Any],
    *,
    at: datetime,
    site: Site | None = None,
    created_by: User | None = None,
    run_after: datetime | None = None,
    dedupe_key: str | None = None,
) -> Task:
    """Queue one task; the caller's transaction decides whether it exists.

    With `dedupe_key` there is at most one task under that key, ever: the one that is there is returned.
    Raises LookupError for a kind that nothing handles: a mistake in our own code.
    """
    if kind not in registry.handlers:
        raise LookupError(f"nothing handles tasks of kind {kind!r}")
    fields = {
        "kind": kind,
        "payload": dict(payload),
        "site": site,
        "created_by": created_by,
        "created_at": at,
        "run_after": run_after or AT_ONCE,
    }
    if dedupe_key is None:
        task, made = Task.objects.create(**fields), True
    else:
        task, made = Task.objects.get_or_create(dedupe_key=dedupe_key, defaults=fields)
    if made and task.run_after <= at:
        transaction.on_commit(lambda: announce(task.id))
    return task


@write_transaction
def record_event(
    kind: str, payload: Mapping[str, Any], *, at: datetime, site: Site | None = None
) -> OutboxEvent:
    """Write down that something happened; its receivers' tasks follow within seconds."""
    event = OutboxEvent.objects.create(kind=kind, payload=dict(payload), site=site, created_at=at)
    transaction.on_commit(work_is_waiting.set)
    return event


@write_transaction
def cancel_task(task: Task, *, at: datetime) -> Task:
    """Stop a task that is not over; one that runs finds out at its next heartbeat and changes nothing more.

    Raises WrongState for a task that is over.
    """
    stopped = Task.objects.filter(pk=task.pk, state__in=[Task.State.QUEUED, Task.State.RUNNING]).update(
        state=Task.State.CANCELLED, lease_until=None, finished_at=at
    )
    task.refresh_from_db()
    if not stopped:
        raise WrongState(f"This task is over already: {task.get_state_display().lower()}.")
    return task
