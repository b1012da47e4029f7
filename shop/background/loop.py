"""The embedded default: the rows are worked by threads inside the one process, no broker needed."""

import threading
import time
import uuid

import structlog
from django.db import DatabaseError, InterfaceError, connections
from django.utils import timezone

from shop.background import claims, work
from shop.background.announce import work_is_waiting
from shop.conf import conf
from shop.errors import Busy

POLL_SECONDS = 1.0
TIDY_EVERY_SECONDS = 5.0
WORKERS = 2
PATIENCE_AT_STOP_SECONDS = 10.0
_log = structlog.get_logger("coldgap.background")


def run_loop(stop: threading.Event, *, workers: int = WORKERS) -> None:
    """Work due tasks, `workers` at a time, until `stop` is set; then give the running ones ten seconds.

    What they have not finished by then is swept and run again after the next start.
    """
    pool = _Pool(workers)
    # Several times a lease, so that a lost task waits for little more than that.
    tidy_every = min(TIDY_EVERY_SECONDS, conf.task_lease.total_seconds() / 3)
    tidied_at = -tidy_every
    while not stop.is_set():
        work_is_waiting.clear()
        try:
            if time.monotonic() - tidied_at >= tidy_every:
                work.tidy(timezone.now())
                tidied_at = time.monotonic()
            pool.fill()
        except (DatabaseError, InterfaceError, Busy):
            _log.warning("database not reached; background work waits", exc_info=True)
            connections.close_all()
            stop.wait(POLL_SECONDS)
        work_is_waiting.wait(POLL_SECONDS)
    pool.finish()
    connections.close_all()


def start_loop() -> "Loop":
    """Run the loop in a thread of this process; `stop()` on the answer ends it."""
    return Loop()


class Loop:
    def __init__(self) -> None:
        self._stop = threading.Event()
        self._thread = threading.Thread(
            target=run_loop, args=(self._stop,), name="background loop", daemon=True
        )
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        work_is_waiting.set()
        self._thread.join(PATIENCE_AT_STOP_SECONDS + 2 * POLL_SECONDS)


class _Pool:
    """Threads that each run one task. One that has run out of time still runs, but no longer takes a place:
    a task that never ends must not keep the others from running."""

    def __init__(self, places: int) -> None:
        self._places = places
        self._running: dict[threading.Thread, float] = {}

    def fill(self) -> None:
        """Start as many due tasks as there are free places."""
        limit = conf.task_time_limit.total_seconds()
        now = time.monotonic()
        self._running = {thread: since for thread, since in self._running.items() if thread.is_alive()}
        taken = sum(now - since < limit for since in self._running.values())
        if taken >= self._places:
            return
        for task_id in claims.due(at=timezone.now(), limit=self._places - taken):
            thread = threading.Thread(target=_work, args=(task_id,), name=f"task {task_id}", daemon=True)
            self._running[thread] = now
            thread.start()

    def finish(self) -> None:
        end = time.monotonic() + PATIENCE_AT_STOP_SECONDS
        for thread in self._running:
            thread.join(max(0.0, end - time.monotonic()))


def _work(task_id: uuid.UUID) -> None:
    try:
        work.run_task(task_id)
    except (DatabaseError, InterfaceError, Busy):
        _log.warning("database not reached; the task waits", task_id=str(task_id), exc_info=True)
    finally:
        connections.close_all()
        # A place is free.
        work_is_waiting.set()
