"""The plan for the whole shop is asked for, made in the background, and found out of date."""

import pytest

from inventory.models import Hold
from jobs.models import ShopPlan
from jobs.services.shop_planning import cancel_shop_plan, plan_shop
from shop.errors import Conflict, Forbidden, NotFound, WrongState
from shop.models import Task
from tests.jobs.shop import AT
from tests.jobs.three_bays import actions, made, three_bays, work


@pytest.fixture
def jobs(workshop):
    return three_bays(workshop)


def test_a_swap_between_bays_lets_one_more_engine_leave(jobs, workshop, tech):
    plan = made(workshop, tech)
    assert plan.state == ShopPlan.State.PROPOSED
    done = {entry["job"]: entry["completed"] for entry in plan.result["jobs"]}
    assert [done[str(job.pk)] for job in jobs] == [False, True, True]
    assert actions(plan)[2] == {"1-IN": "swap"}
    (to_bay_2,) = [entry for entry in plan.result["hand_overs"] if entry["to_job"] == str(jobs[1].pk)]
    assert to_bay_2["say"] == "Take the 2.650 mm shim of 1-IN from bay 1 to bay 2 for 1-IN."
    assert plan.result["proof"]["unproven"] is None
    assert plan.result["score"]["bought"] == 1
    # A proposal holds nothing.
    assert not Hold.objects.exists()


def test_the_answer_names_its_task_and_the_task_the_plan(jobs, workshop, tech):
    plan = plan_shop(site=workshop.site, actor=tech, at=AT)
    assert (plan.state, plan.task.state, plan.number) == (ShopPlan.State.MAKING, Task.State.QUEUED, 1)
    work()
    plan.task.refresh_from_db()
    assert (plan.task.state, plan.task.progress) == (Task.State.DONE, 100)
    assert plan.task.result == {"shop_plan": str(plan.pk)}


def test_one_at_a_time(jobs, workshop, tech):
    plan_shop(site=workshop.site, actor=tech, at=AT)
    with pytest.raises(Conflict, match="Shop plan 1 is being made") as refusal:
        plan_shop(site=workshop.site, actor=tech, at=AT)
    assert refusal.value.code == "plan-under-way"


def test_one_that_is_cancelled_is_never_made(jobs, workshop, tech):
    plan = plan_shop(site=workshop.site, actor=tech, at=AT)
    plan = cancel_shop_plan(plan=plan, actor=tech, at=AT)
    work()
    plan.refresh_from_db()
    plan.task.refresh_from_db()
    assert (plan.state, plan.result) == (ShopPlan.State.CANCELLED, None)
    assert plan.task.state == Task.State.CANCELLED
    with pytest.raises(WrongState, match="not being made any more: cancelled"):
        cancel_shop_plan(plan=plan, actor=tech, at=AT)


def test_who_may(jobs, workshop, clerk, stranger, tech):
    with pytest.raises(NotFound):
        plan_shop(site=workshop.site, actor=stranger, at=AT)
    with pytest.raises(Forbidden):
        plan_shop(site=workshop.site, actor=tech, at=AT, move_accepted=True)
    assert made(workshop, clerk).created_by == "Tobi Lund"


def test_a_shop_without_engines(workshop, tech):
    plan = made(workshop, tech)
    assert (plan.state, plan.result["jobs"]) == (ShopPlan.State.PROPOSED, [])


def test_engines_that_are_not_read_are_left_out_and_named(jobs, workshop, tech):
    workshop.job()
    plan = made(workshop, tech)
    assert [entry["because"] for entry in plan.places["left_out"]] == ["Not read yet."]
