"""Bars F1, F3, F16 and F19 on the embedded default: real processes, killed and frozen."""

import signal
import time
from collections import Counter

import pytest
from django.utils import timezone

from shop.background.queue import queue_task
from shop.models import OutboxEvent, PeriodicSlot, Task
from tests.faults import handlers
from tests.faults.freezing import freeze
from tests.servers.children import wait_until
from tests.servers.programs import python

pytestmark = pytest.mark.django_db(transaction=True)
LEASE_SECONDS = 1.5


@pytest.fixture
def worker(tmp_path):
    """Start loop workers; all are gone after the test."""
    started = []

    def start(**environment):
        lease = {"COLDGAP_TASK_LEASE_SECONDS": str(LEASE_SECONDS)} | environment
        log = tmp_path / f"worker{len(started)}.log"
        started.append(python(["-m", "tests.faults.loop_worker"], log=log, **lease))
        return started[-1]

    yield start
    for child in started:
        child.signal(signal.SIGCONT)
        child.kill()


def queued(kind, **payload):
    assert kind in handlers.KINDS
    return queue_task(kind, payload, at=timezone.now())


def effects_of(task):
    return OutboxEvent.objects.filter(kind="effect", payload__of=str(task.pk)).count()


def wait_for(task, state, *, seconds=15):
    def there():
        task.refresh_from_db()
        return task.state == state

    wait_until(there, seconds=seconds, what=f"the task to be {state}")


def wait_half_way(task):
    half_way = Task.objects.filter(pk=task.pk, progress=50)
    wait_until(half_way.exists, seconds=15, what="the task half way")


def test_a_killed_workers_task_runs_again_and_has_its_effect_once(worker, tmp_path):
    task = queued("at_failpoint", until=str(tmp_path / "go"))
    first = worker()
    wait_half_way(task)
    first.kill()
    killed = time.monotonic()
    worker()
    seen = []

    def again():
        task.refresh_from_db()
        seen.append(task.progress)
        return task.state == "running" and task.fence == 2

    wait_until(again, seconds=15, what="the task to run again")
    assert time.monotonic() - killed < 60
    (tmp_path / "go").touch()
    wait_for(task, "done")
    assert (effects_of(task), task.lost, task.result) == (1, 1, {"fence": 2})
    assert seen == sorted(seen)


def test_a_worker_that_was_frozen_past_its_lease_changes_nothing_when_it_wakes(worker, tmp_path):
    task = queued("at_failpoint", until=str(tmp_path / "go"))
    frozen = worker()
    wait_half_way(task)
    # Not while it writes something else: that would keep the database itself waiting.
    others = Task.objects.filter(state__in=["queued", "running"]).exclude(pk=task.pk)
    wait_until(lambda: not others.exists(), seconds=15, what="nothing else to be running")
    freeze(frozen, task)
    (tmp_path / "go").touch()
    second = worker()
    wait_for(task, "done")
    assert task.result == {"fence": 2}
    frozen.signal(signal.SIGCONT)
    wait_until(lambda: "lease lost" in frozen.tail(), seconds=15, what="the frozen worker to notice")
    assert second.running
    task.refresh_from_db()
    assert (effects_of(task), task.result) == (1, {"fence": 2})


def test_a_task_that_never_ends_fails_and_does_not_keep_the_others(worker):
    endless = [queued("endless") for _ in range(2)]
    worker(COLDGAP_TASK_LEASE_SECONDS="0.6", COLDGAP_TASK_TIME_LIMIT_SECONDS="0.6")
    wait_until(
        lambda: Task.objects.filter(kind="endless", fence__gt=0).count() == 2,
        seconds=15,
        what="both to begin",
    )
    quick = queued("quick")
    wait_for(quick, "done")
    for task in endless:
        wait_for(task, "failed", seconds=40)
        assert "3 times" in task.error


def test_two_schedulers_start_a_periodic_task_once_in_each_slot(worker):
    crowd = [worker(COLDGAP_TEST_TICKS="1"), worker(COLDGAP_TEST_TICKS="1")]
    wait_until(lambda: PeriodicSlot.objects.filter(name="tick").count() >= 2, seconds=30, what="two slots")
    for child in crowd:
        assert child.stop() == 0, child.tail()
    ticks = Counter(OutboxEvent.objects.filter(kind="effect").values_list("payload__of", flat=True))
    assert ticks
    assert set(ticks.values()) == {1}
    slots = PeriodicSlot.objects.filter(name="tick").count()
    assert len(ticks) <= Task.objects.filter(kind="tick").count() == slots


def test_a_worker_told_to_end_finishes_what_it_runs(worker, tmp_path):
    task = queued("at_failpoint", until=str(tmp_path / "go"))
    child = worker()
    wait_half_way(task)
    child.signal(signal.SIGTERM)
    time.sleep(0.2)
    (tmp_path / "go").touch()
    assert child.process.wait(15) == 0
    wait_for(task, "done")
