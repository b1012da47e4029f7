"""The plan for a whole shop by real Celery workers and a real broker: its parts side by side, its workers
killed in the middle, and called off."""

import pytest
from django.utils import timezone
from kombu import Connection

from inventory.models import Hold
from inventory.selectors.audit import audit
from jobs.models import HandOver, Plan, ShopPlan
from jobs.services.shop_accepting import accept_shop_plan
from jobs.services.shop_planning import cancel_shop_plan, plan_shop
from shop.celery import run_task
from shop.models import Task
from tests.faults.conftest import WITH_CELERY, WORKER
from tests.servers.children import wait_until

pytestmark = WITH_CELERY
PARTS = 2


@pytest.fixture
def worker(celery, tmp_path):
    """Start workers of two processes that stand still before each part until `go` is there."""

    def start():
        return celery(*WORKER, app="tests.faults.celery_shop_plan", COLDGAP_TEST_UNTIL=str(tmp_path / "go"))

    celery("beat")
    return start


def wait_side_by_side(plan, by):
    running = Task.objects.filter(kind="plan_shop_part", state="running", site=plan.site)
    wait_until(lambda: running.count() == PARTS, seconds=120, what="all parts at once", by=by)


def wait_made(plan, by):
    made = ShopPlan.objects.filter(pk=plan.pk, state="proposed")
    wait_until(made.exists, seconds=120, what="the plan to be made", by=by)
    plan.refresh_from_db()
    plan.task.refresh_from_db()


def effects():
    return Hold.objects.count(), HandOver.objects.count(), Plan.objects.count()


def called_off(plan, tech, go, by):
    """Both of its parts are being worked on: they come to nothing, and their workers are free."""
    wait_side_by_side(plan, by)
    cancel_shop_plan(plan=plan, actor=tech, at=timezone.now())
    go.touch()
    wait_until(lambda: by.tail(60_000).count("lease lost") >= PARTS, seconds=30, what="them to stop", by=by)
    go.unlink()
    plan.refresh_from_db()
    tasks = [plan.task, *(part.task for part in plan.parts.select_related("task"))]
    assert [task.state for task in tasks] == ["cancelled"] * (1 + PARTS)
    assert (plan.state, plan.result) == ("cancelled", None)


def test_side_by_side_called_off_and_killed_in_the_middle(plan, worker, broker, site, tech, tmp_path):
    """One story, because a worker takes seconds to start."""
    go = tmp_path / "go"
    first = worker()
    called_off(plan, tech, go, first)

    plan = plan_shop(site=site, actor=tech, at=timezone.now())
    wait_side_by_side(plan, first)
    plan.task.refresh_from_db()
    assert (plan.task.state, 0 < plan.task.progress < 100) == ("running", True)
    assert plan.task.message
    first.kill()
    go.touch()
    second = worker()
    wait_made(plan, second)
    parts = list(plan.parts.select_related("task"))
    assert [bool(part.result) for part in parts] == [True] * PARTS
    assert (plan.task.state, plan.task.progress, plan.task.lost) == ("done", 100, 1)
    assert effects() == (0, 0, 0)

    accept_shop_plan(plan=plan, actor=tech, at=timezone.now())
    result, held = plan.result, effects()
    assert held[0]
    # Every message once more, long after: taken, and without effect.
    with Connection(broker.url) as connection:
        for task in (plan.task, *(part.task for part in parts)):
            run_task.apply_async((str(task.pk),), connection=connection, ignore_result=True)
    wait_until(
        lambda: second.tail(60_000).count("not claimed") >= 3, seconds=15, what="them taken", by=second
    )
    plan.refresh_from_db()
    assert (plan.state, plan.result, effects()) == ("accepted", result, held)
    assert audit() == []
