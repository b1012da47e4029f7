"""The plan for the whole shop is asked for, made in the background, and found out of date."""

import pytest

from inventory.models import Hold
from inventory.selectors.audit import audit
from jobs.models import ShopPlan
from jobs.services.fitting import fit_job
from jobs.services.handing_over import hand_over
from jobs.services.readings import set_adjust
from jobs.services.shop_accepting import accept_shop_plan
from jobs.services.shop_planning import cancel_shop_plan, plan_shop
from jobs.services.shop_staleness import touch_families
from jobs.services.sign_off import sign_off_job
from jobs.services.vehicles import enter_vehicle
from shop.errors import Conflict, Forbidden, NotFound, WrongState
from shop.models import Task
from tests.jobs.shop import AT, HOUR, USED
from tests.jobs.test_keyed_engine import engine
from tests.jobs.three_bays import actions, hand_overs, made, three_bays, work


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


def test_an_engine_in_no_list_and_one_whose_valves_are_never_opened(jobs, workshop, tech):
    """The one keyed by hand takes what bay 2 pulls; the other is in the plan once it is read."""
    vehicle = enter_vehicle(
        site=workshop.site, actor=tech, at=AT, registration="old 1", description="old", engine_type=None
    )
    by_hand = workshop.job(vehicle, engine=engine(workshop.family))
    good = {"1-EX": "12 thou", "2-EX": "12 thou", "2-IN": "8 thou"}
    workshop.read(by_hand, {"1-IN": "5 thou", **good}, {"1-IN": "2.650 mm"})
    closed = workshop.job()
    set_adjust(job=closed, actor=tech, at=AT, adjust=dict.fromkeys((*good, "1-IN"), "never"))
    plan = made(workshop, tech)
    assert plan.places["left_out"] == [{"job": str(closed.pk), "because": "Not read yet."}]
    workshop.read(closed, {"1-IN": "5 thou"})
    plan = made(workshop, tech)
    assert actions(plan)[closed.number] == {}
    accept_shop_plan(plan=plan, actor=tech, at=AT)
    (row,) = hand_overs(to_job=by_hand)
    assert (row.from_job, row.from_label, row.to_label) == (jobs[1], "1-IN", "1-IN")
    assert audit() == []


def test_what_lies_in_the_tray_of_an_engine_that_is_not_read_is_counted(workshop, tech):
    """Bay 1 is fitted and not measured again; bay 2 wants what came out of it."""
    good = {"1-EX": "12 thou", "2-EX": "12 thou", "2-IN": "8 thou"}
    workshop.stock(("2.575", USED, 1))
    fitted = workshop.read(workshop.job(), {"1-IN": "5 thou", **good}, {"1-IN": "2.650 mm"})
    fit_job(job=workshop.held(fitted), actor=tech, at=AT)
    loose = workshop.read(workshop.job(), {"1-IN": "11 thou", **good}, {"1-IN": "2.575 mm"})
    plan = made(workshop, tech)
    assert actions(plan) == {2: {"1-IN": "tray"}}
    assert plan.result["why"][0] == "1 of 1 engine can be completed with what is in the building."
    accept_shop_plan(plan=plan, actor=tech, at=AT)
    (row,) = hand_overs(to_job=loose)
    assert (row.from_label, row.hold.state, row.condition) == ("", "held", "used")
    workshop.read(fitted, {"1-IN": "8 thou"})
    with pytest.raises(WrongState, match=r"hand over the 2\.650 mm shim in the tray"):
        sign_off_job(job=fitted, actor=tech, at=AT)
    hand_over(hand_over=row, actor=tech, at=AT)
    sign_off_job(job=fitted, actor=tech, at=AT)
    fit_job(job=loose, actor=tech, at=AT)
    assert audit() == []


def test_a_delivery_from_before_does_not_matter(jobs, workshop, tech, site):
    plan = made(workshop, tech)
    assert touch_families(site, [workshop.family.code], "came", at=AT - HOUR) == 0
    assert touch_families(site, [workshop.family.code], "came", at=AT) == 1
    plan.refresh_from_db()
    assert plan.state == ShopPlan.State.STALE
