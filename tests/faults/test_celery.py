"""Bars F1, F2 and F4 with a real Celery worker and a real broker, which are killed, doubled and stopped."""

import json
import statistics
import subprocess
import sys
import time

from django.utils import timezone

from shop.background.queue import queue_task
from shop.models import OutboxEvent, Task
from tests.faults import handlers
from tests.faults.conftest import CELERY_ENVIRONMENT, WITH_CELERY, WORKER
from tests.servers.children import kill_children_of, wait_until
from tests.servers.programs import program_environment

pytestmark = WITH_CELERY


def client(count, *words, redis_url):
    """Queue `count` quick tasks in a process that stands for a web server; what it measured."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.faults.client", str(count), *words],
        env=program_environment(REDIS_URL=redis_url, **CELERY_ENVIRONMENT),
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def effects():
    return sorted(OutboxEvent.objects.filter(kind="effect").values_list("payload__of", flat=True))


def wait_for_effects(ids, *, seconds, by):
    wait_until(
        lambda: set(ids) <= set(effects()), seconds=seconds, what="every task's effect", every=0.1, by=by
    )


def at_failpoint(tmp_path):
    assert handlers.at_failpoint
    return queue_task("at_failpoint", {"until": str(tmp_path / "go")}, at=timezone.now())


def wait_until_claimed(task, fence, *, by, seconds=30):
    claimed = Task.objects.filter(pk=task.pk, state="running", fence=fence, progress=50)
    wait_until(claimed.exists, seconds=seconds, what=f"claim {fence} half way", by=by)


def test_killed_pool_process_then_killed_worker_and_one_effect(celery, tmp_path):
    """F1, both kinds of death. The broker alone brought the task back 55 s later, or never."""
    task = at_failpoint(tmp_path)
    celery("beat")
    first = celery(*WORKER)
    wait_until_claimed(task, 1, by=first)
    kill_children_of(first.pid)
    wait_until_claimed(task, 2, by=first)
    first.kill()
    killed = time.monotonic()
    second = celery(*WORKER)
    wait_until_claimed(task, 3, by=second, seconds=60)
    assert time.monotonic() - killed < 60
    (tmp_path / "go").touch()
    wait_until(lambda: effects() == [str(task.pk)], seconds=15, what="the effect")
    task.refresh_from_db()
    assert (task.state, task.result, task.lost) == ("done", {"fence": 3}, 2)
    assert second.running


def test_a_message_that_comes_five_times_has_one_effect(celery, broker, tmp_path):
    """F2: doubled at once, while it runs, and long after it is done."""
    reported = client(3, "published", redis_url=broker.url)
    with broker.client() as redis:
        messages = redis.lrange("celery", 0, -1)
        assert len(messages) == 3
        for message in messages * 4:
            redis.lpush("celery", message)
    worker = celery(*WORKER)
    wait_for_effects(reported["told"], seconds=30, by=worker)
    with broker.client() as redis:
        for message in messages:
            redis.lpush("celery", message)
        wait_until(lambda: not redis.llen("celery"), seconds=15, what="the late ones to be taken")
    wait_until(lambda: "not claimed" in worker.tail(20_000), seconds=15, what="the worker to say so")
    time.sleep(0.5)
    assert effects() == sorted(reported["told"])


def p95(milliseconds):
    return statistics.quantiles(milliseconds, n=20)[-1]


def test_whoever_queues_never_waits_for_a_broker_and_nothing_is_lost(broker, celery, silent_port):
    """F4: a broker that is silent, one that refuses, one that forgot everything (F17), and back again."""
    forgotten = client(3, "published", redis_url=broker.url)
    with broker.client() as redis:
        redis.flushall()
    silent = client(30, redis_url=f"redis://127.0.0.1:{silent_port}/0")
    broker.stop()
    refused = client(30, redis_url=broker.url)
    for name, found in (("silent", silent), ("refused", refused)):
        without, with_broker = p95(found["plain"]), p95(found["announced"])
        print(f"broker {name}: p95 {with_broker:.1f} ms, without one {without:.1f} ms")
        assert with_broker <= without + 50
    # The control: to publish before answering costs what the bar forbids.
    assert silent["inline"] > p95(silent["plain"]) + 500
    broker.start()
    worker = celery(*WORKER)
    celery("beat")
    ids = [*forgotten["ids"], *silent["ids"], *refused["ids"]]
    wait_for_effects(ids, seconds=30, by=worker)
    assert effects() == sorted(ids)
