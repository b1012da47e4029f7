"""What a handler sees of its task: what was asked, a way to say how far it is, a way to finish."""

import contextlib
import time
import uuid
from collections.abc import Iterator
from datetime import datetime
from typing import Any

from django.utils import timezone

from shop.background import claims
from shop.db import atomic_write
from shop.models import Task

# A task that counts rows may say so for each: what is written is one in so many seconds.
HEARTBEAT_SECONDS = 0.5


class TaskContext:
    """One claim on one task."""

    def __init__(self, task: Task) -> None:
        self._task = task
        self._said_at = 0.0
        self.finished = False

    @property
    def id(self) -> uuid.UUID:
        return self._task.pk

    @property
    def kind(self) -> str:
        return self._task.kind

    @property
    def payload(self) -> dict[str, Any]:
        return self._task.payload

    @property
    def site_id(self) -> uuid.UUID | None:
        return self._task.site_id

    @property
    def created_by_id(self) -> uuid.UUID | None:
        return self._task.created_by_id

    @property
    def fence(self) -> int:
        return self._task.fence

    @property
    def attempt(self) -> int:
        """1 the first time, whatever became of earlier claims."""
        return self._task.attempts + self._task.lost + 1

    def now(self) -> datetime:
        return timezone.now()

    def heartbeat(self, progress: int, message: str = "") -> None:
        """Say how far the work is (0 to 100) and in words, at most every half second; extend the lease.

        Raises LeaseLost when the task is no longer ours: stop, and change nothing. Raises RuntimeError inside
        a transaction, where nobody else would see it.
        """
        if time.monotonic() - self._said_at < HEARTBEAT_SECONDS:
            return
        with atomic_write(durable=True):
            claims.extend(self._task, at=timezone.now(), progress=progress, message=message)
        self._said_at = time.monotonic()

    @contextlib.contextmanager
    def commit(self, result: dict[str, Any] | None = None) -> Iterator[None]:
        """One transaction that marks the task done and holds what is written inside, or neither.

        Raises LeaseLost, before anything is written, when the task is no longer ours.
        """
        with atomic_write():
            claims.finish(self._task, at=timezone.now(), result=result)
            yield
        self.finished = True
