"""What each kind of task does. Apps register in their `tasks.py`, which is loaded once Django is set up."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from shop.background.context import TaskContext

Handler = Callable[["TaskContext"], dict[str, Any] | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Periodic:
    """A task that is queued once per slot of `every`, counted from 1970-01-01T00:00Z."""

    kind: str
    every: timedelta

    def slot(self, at: datetime) -> datetime:
        """The beginning of the slot that holds `at`."""
        seconds = int(self.every.total_seconds())
        return datetime.fromtimestamp(int(at.timestamp()) // seconds * seconds, tz=UTC)


handlers: dict[str, Handler] = {}
periodics: dict[str, Periodic] = {}
# Event kind -> kinds of the tasks that are queued for it.
receivers: dict[str, list[str]] = {}


def task_handler(kind: str) -> Callable[[Handler], Handler]:
    """Register a function as what a task of this kind does.

    It returns the task's result (JSON-able) or None. It must be safe to run again from the start: a worker
    may die at any point. What it changes belongs into `with task.commit(result):`, so that a worker that
    was given up changes nothing.
    """

    def register(function: Handler) -> Handler:
        if handlers.setdefault(kind, function) is not function:
            raise ValueError(f"Two functions claim tasks of kind {kind!r}.")
        return function

    return register


def periodic(kind: str, *, every: timedelta) -> Callable[[Handler], Handler]:
    """Register a function as a task that is queued once in every slot of `every`."""
    if every < timedelta(seconds=1):
        raise ValueError("A periodic task runs once a second at most.")

    def register(function: Handler) -> Handler:
        periodics[kind] = Periodic(kind=kind, every=every)
        return task_handler(kind)(function)

    return register


def receives(event_kind: str, *, by: str) -> None:
    """Queue a task of kind `by` for each event of this kind; its payload holds the event's."""
    known = receivers.setdefault(event_kind, [])
    if by not in known:
        known.append(by)
