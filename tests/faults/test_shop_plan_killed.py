"""Bars F1 to F3 for the plan for a whole shop: its worker is killed, doubled and frozen in the middle."""

import signal

import pytest
from django.utils import timezone

from inventory.models import Hold
from jobs.models import HandOver, Plan, ShopPlan
from jobs.services.shop_accepting import accept_shop_plan
from jobs.services.shop_planning import fail_lost_shop_plans, plan_shop
from shop.background.claims import MOST_LOST
from shop.background.work import run_task
from shop.models import Task
from tests.faults.freezing import freeze
from tests.servers.children import wait_until
from tests.servers.programs import python

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def worker(tmp_path):
    """Start workers that stand still in the middle; all are gone after the test."""
    started = []

    def start():
        log = tmp_path / f"worker{len(started)}.log"
        environment = {
            "COLDGAP_TASK_LEASE_SECONDS": "1.5",
            "COLDGAP_TEST_UNTIL": str(tmp_path / "go"),
        }
        started.append(python(["-m", "tests.faults.shop_plan_worker"], log=log, **environment))
        return started[-1]

    yield start
    for child in started:
        child.signal(signal.SIGCONT)
        child.kill()


def wait_in_the_middle(plan, by):
    looked = ShopPlan.objects.filter(pk=plan.pk, problem__isnull=False, state="making")
    wait_until(looked.exists, seconds=30, what="the plan in the middle", by=by)


def wait_made(plan, by):
    made = ShopPlan.objects.filter(pk=plan.pk, state="proposed")
    wait_until(made.exists, seconds=30, what="the plan to be made", by=by)
    plan.refresh_from_db()


def test_a_killed_workers_plan_is_taken_up_again(plan, worker, tmp_path):
    first = worker()
    wait_in_the_middle(plan, first)
    first.kill()
    (tmp_path / "go").touch()
    second = worker()
    wait_made(plan, second)
    plan.task.refresh_from_db()
    assert (plan.task.state, plan.task.lost) == ("done", 1)
    parts = list(plan.parts.all())
    assert len(parts) == 2
    assert all(part.result for part in parts)
    assert not Hold.objects.exists()


def test_one_that_was_frozen_past_its_lease_changes_nothing_when_it_wakes(plan, worker, tech, tmp_path):
    frozen = worker()
    wait_in_the_middle(plan, frozen)
    others = Task.objects.filter(state__in=["queued", "running"]).exclude(pk=plan.task_id)
    others = others.exclude(kind="plan_shop_part")
    wait_until(lambda: not others.exists(), seconds=15, what="nothing else to be running", by=frozen)
    freeze(frozen, plan.task)
    (tmp_path / "go").touch()
    second = worker()
    wait_made(plan, second)
    result = plan.result
    accept_shop_plan(plan=plan, actor=tech, at=timezone.now())
    held = (Hold.objects.count(), HandOver.objects.count(), Plan.objects.count())
    frozen.signal(signal.SIGCONT)
    wait_until(lambda: "lease lost" in frozen.tail(20_000), seconds=20, what="it to notice", by=second)
    plan.refresh_from_db()
    assert (plan.state, plan.result) == ("accepted", result)
    assert (Hold.objects.count(), HandOver.objects.count(), Plan.objects.count()) == held


def test_a_message_that_comes_again_makes_nothing_twice(plan):
    assert run_task(plan.task_id)
    plan.refresh_from_db()
    made = plan.result
    assert not run_task(plan.task_id)
    for part in plan.parts.all():
        assert not run_task(part.task_id)
    plan.refresh_from_db()
    assert (plan.state, plan.result) == ("proposed", made)


def test_one_that_was_lost_too_often_is_shown_as_not_made(plan, site, tech):
    Task.objects.filter(pk=plan.task_id).update(
        state="failed", lost=MOST_LOST, finished_at=timezone.now(), error="Its worker stopped."
    )
    assert fail_lost_shop_plans(site) == 1
    plan.refresh_from_db()
    assert (plan.state, plan.stale_because) == ("failed", "Its worker stopped.")
    assert plan_shop(site=site, actor=tech, at=timezone.now()).number == 2
