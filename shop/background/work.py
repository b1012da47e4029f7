"""Claim tasks, run and finish them; bring lost ones back; hand events on; start what the clock says."""

import threading
from collections.abc import Callable
from datetime import datetime, timedelta

import structlog
from django.db import DatabaseError, InterfaceError, connections
from django.utils import timezone

from shop.background import claims, registry
from shop.background.context import TaskContext
from shop.background.queue import queue_task
from shop.conf import conf
from shop.db import write_transaction
from shop.errors import Busy, ShopError
from shop.models import OutboxEvent, PeriodicSlot, Task

EVENTS_AT_ONCE = 100
PURGED_AT_ONCE = 500
SLOTS_KEPT_FOR = timedelta(days=1)
_log = structlog.get_logger("coldgap.background")


def work_once(now: datetime | None = None, limit: int = 100) -> int:
    """Do what is due, one task after another in this thread, and say how many tasks ran.

    `now` is for tests: the moment at which tasks are looked for.
    """
    at = now or timezone.now()
    tidy(at)
    ran = 0
    for task_id in claims.due(at=at, limit=limit):
        ran += run_task(task_id, now=now)
    return ran


def tidy(at: datetime) -> None:
    """What any worker may do at any time, however often: sweep, start periodic tasks, hand events on.

    Where one of them has to wait for a row that somebody has locked, the next round does it.
    """
    for step in (claims.sweep, start_periodic, hand_on_events):
        try:
            done = step(at=at)
        except Busy:
            _log.warning("postponed: the database is busy", step=step.__name__)
        else:
            if done:
                _log.info("tidied", step=step.__name__, rows=done)


def run_task(task_id: object, *, now: datetime | None = None) -> bool:
    """Run one task if it can be claimed. False when it is done, running elsewhere, or not due: no harm."""
    task = claims.claim(task_id, at=now or timezone.now())
    if task is None:
        _log.info("task not claimed: done, running or not due", task_id=str(task_id))
        return False
    with structlog.contextvars.bound_contextvars(task_id=str(task.pk), kind=task.kind, fence=task.fence):
        _run(task)
    return True


def _run(task: Task) -> None:
    handler = registry.handlers.get(task.kind)
    if handler is None:
        claims.give_up(
            task, at=timezone.now(), reason=f"This service does not know tasks of kind {task.kind}."
        )
        return
    context = TaskContext(task)
    try:
        with _Keeper(task):
            result = handler(context)
        if not context.finished:
            with context.commit(result):
                pass
    except claims.LeaseLost:
        _log.warning("lease lost; nothing was changed")
    except Busy as busy:
        claims.try_later(task, at=timezone.now(), reason=busy.message)
    except ShopError as refusal:
        # A rule of the shop says no, and will say no again.
        claims.give_up(task, at=timezone.now(), reason=refusal.message)
    except Exception as error:
        _log.exception("task failed")
        _after_error(task, error)


def _after_error(task: Task, error: Exception) -> None:
    reason = f"Something went wrong inside ({type(error).__name__}); the log has it under this task's id."
    try:
        claims.try_later(task, at=timezone.now(), reason=reason)
    except (DatabaseError, InterfaceError, Busy):
        # The database is away: the lease will run out and the sweep bring the task back.
        _log.warning("could not write down that a task failed", exc_info=True)


class _Keeper:
    """Extends the lease from a thread of its own while the handler works, until the task's time is over.

    So a long computation needs no heartbeats to keep its task, and one that never ends loses it.
    """

    def __init__(self, task: Task) -> None:
        self._task = task
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._keep, name=f"keep {task.pk}", daemon=True)

    def __enter__(self) -> None:
        self._thread.start()

    def __exit__(self, *exc_info: object) -> None:
        self._over.set()

    def _keep(self) -> None:
        period = conf.task_lease.total_seconds() / 3
        rounds = int(conf.task_time_limit.total_seconds() / period)
        try:
            for _ in range(rounds):
                if self._over.wait(period):
                    return
                self._extend()
            _log.error("task ran out of time; its lease is no longer extended", task_id=str(self._task.pk))
        except claims.LeaseLost:
            return
        finally:
            connections.close_all()

    def _extend(self) -> None:
        try:
            claims.extend(self._task, at=timezone.now())
        except (DatabaseError, InterfaceError, Busy):
            _log.warning("could not extend a lease", task_id=str(self._task.pk), exc_info=True)


def start_periodic(*, at: datetime) -> int:
    """Queue every periodic task whose slot has begun and that nobody has queued for it; how many.

    Only the slot that holds `at`: after a night without a worker each runs once, not once per slot missed.
    """
    begun = {job.kind: job.slot(at) for job in registry.periodics.values()}
    known = set(
        PeriodicSlot.objects.filter(name__in=begun, starts_at__in=begun.values()).values_list(
            "name", "starts_at"
        )
    )
    missing = [(kind, slot) for kind, slot in sorted(begun.items()) if (kind, slot) not in known]
    return sum(_start_slot(kind, slot, at) for kind, slot in missing)


@write_transaction
def _start_slot(kind: str, slot: datetime, at: datetime) -> bool:
    # The key makes the task unique, so two schedulers at once come out with one.
    task = queue_task(kind, {}, at=at, dedupe_key=f"{kind} {slot.isoformat()}")
    _, made = PeriodicSlot.objects.get_or_create(name=kind, starts_at=slot, defaults={"task": task})
    return made


def hand_on_events(*, at: datetime) -> int:
    """Queue the receivers' tasks for events that wait; how many events. Each is handed on once."""
    waiting = OutboxEvent.objects.filter(delivered_at=None).order_by("created_at", "id")
    return sum(_hand_on(event, at) for event in waiting[:EVENTS_AT_ONCE])


@write_transaction
def _hand_on(event: OutboxEvent, at: datetime) -> bool:
    # First come, first served: whoever sets the time queues the tasks, in the same transaction.
    if not OutboxEvent.objects.filter(pk=event.pk, delivered_at=None).update(delivered_at=at):
        return False
    for kind in registry.receivers.get(event.kind, ()):
        payload = {"event_id": str(event.pk), "event_kind": event.kind, "payload": event.payload}
        queue_task(kind, payload, at=at, site=event.site, dedupe_key=f"{kind} {event.pk}")
    return True


@registry.periodic("purge_background", every=timedelta(hours=1))
def purge_background(task: TaskContext) -> dict[str, int]:
    """Remove tasks, events and slots that are over and old, some at a time, so that no writer waits long."""
    at = task.now()
    old_tasks = Task.objects.filter(finished_at__lt=at - conf.task_retention)
    old_events = OutboxEvent.objects.filter(delivered_at__lt=at - conf.task_retention)
    old_slots = PeriodicSlot.objects.filter(starts_at__lt=at - SLOTS_KEPT_FOR)
    return {
        "slots": _purge(old_slots.order_by("pk"), task.heartbeat),
        "tasks": _purge(old_tasks.exclude(slots__isnull=False).order_by("pk"), task.heartbeat),
        "events": _purge(old_events.order_by("pk"), task.heartbeat),
    }


def _purge(queryset, heartbeat: Callable[[int, str], None]) -> int:
    removed = 0
    while ids := list(queryset.values_list("pk", flat=True)[:PURGED_AT_ONCE]):
        removed += _delete(queryset.model, ids)
        heartbeat(50, "Clearing out old tasks")
    return removed


@write_transaction
def _delete(model, ids: list[object]) -> int:
    return model.objects.filter(pk__in=ids).delete()[1].get(model._meta.label, 0)
