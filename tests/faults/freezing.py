"""Freeze a worker between two of its transactions: stopped inside one it keeps the database waiting."""

import fcntl
import os
import signal
import time

from django.db import OperationalError, connection, transaction

from shop.models import Task
from tests.servers.children import Child

TRIES = 200


def freeze(child: Child, task: Task) -> None:
    """Stop the process that works the task when it holds neither SQLite's lock nor the row of the task."""
    for _ in range(TRIES):
        child.signal(signal.SIGSTOP)
        time.sleep(0.02)  # until it has really stopped
        if not _is_kept(task):
            return
        child.signal(signal.SIGCONT)
        time.sleep(0.02)
    raise AssertionError("the worker was inside a transaction each time that it was stopped")


def _is_kept(task: Task) -> bool:
    if connection.vendor == "sqlite":
        descriptor = os.open(connection.lock_path, os.O_RDWR | os.O_CREAT, 0o600)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return True
        finally:
            os.close(descriptor)
        return False
    try:
        with transaction.atomic():
            Task.objects.select_for_update(nowait=True).get(pk=task.pk)
    except OperationalError:
        return True
    return False
