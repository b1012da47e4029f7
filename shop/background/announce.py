"""Say that a task is there: to the loop in this process, and to Celery where a broker is set.

Nobody waits for it and nobody fails by it: the row is what counts, and what is not announced is found by
looking. A publish with the broker down took 0.6 s, with one that accepts and stays silent a minute without
socket timeouts, so it is done by a thread of its own.
"""

import os
import queue
import threading
import time
import uuid
from typing import TYPE_CHECKING

import structlog
from django.conf import settings

if TYPE_CHECKING:
    from celery import Task as CeleryTask

MOST_WAITING = 1_000
PAUSE_AFTER_FAILURE_SECONDS = 3.0
_log = structlog.get_logger("coldgap.background")

# Set when there is something to do for a loop inside this process.
work_is_waiting = threading.Event()


def announce(task_id: uuid.UUID) -> None:
    """To be called after the commit. Returns at once whatever state the broker is in."""
    work_is_waiting.set()
    if settings.REDIS_URL:
        _publisher.put(task_id)


def celery_task() -> "CeleryTask":
    """The Celery task that works one of our rows."""
    # Celery takes a third of a second to load, and the embedded default never needs it.
    from shop.celery import run_task  # noqa: PLC0415

    return run_task


def load() -> None:
    """For a server's start: load Celery before the first request that queues something."""
    if settings.REDIS_URL:
        celery_task()


def publish(task_id: uuid.UUID) -> None:
    """Put the id on the broker now; raises whatever the broker's client raises."""
    celery_task().apply_async((str(task_id),), retry=False, ignore_result=True)


class _Publisher:
    """A thread that publishes what it is given and forgets it when the broker is down."""

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._start_afresh()

    def _start_afresh(self) -> None:
        self._waiting: queue.Queue[uuid.UUID] = queue.Queue(maxsize=MOST_WAITING)
        self._thread: threading.Thread | None = None
        self._process = os.getpid()

    def put(self, task_id: uuid.UUID) -> None:
        with self._guard:
            # A forked child has the queue but not the thread.
            if self._process != os.getpid():
                self._start_afresh()
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, name="publish tasks", daemon=True)
                self._thread.start()
        try:
            self._waiting.put_nowait(task_id)
        except queue.Full:
            return

    def _run(self) -> None:
        while True:
            task_id = self._waiting.get()
            try:
                publish(task_id)
            except Exception as error:
                _log.warning("broker not reached; background work waits", error=type(error).__name__)
                self._forget()
                time.sleep(PAUSE_AFTER_FAILURE_SECONDS)

    def _forget(self) -> None:
        """The rows are still there, and the pump publishes them once the broker is back."""
        while True:
            try:
                self._waiting.get_nowait()
            except queue.Empty:
                return


_publisher = _Publisher()
