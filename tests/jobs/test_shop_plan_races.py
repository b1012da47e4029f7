"""Two people accept overlapping plans at the same moment, with real threads, on both databases."""

import pytest

from inventory.models import Balance, HoldLine
from inventory.selectors.audit import audit
from jobs.models import HandOver, Plan, ShopPlan
from jobs.services.handing_over import hand_over
from jobs.services.planning import accept_plan, plan_job
from jobs.services.shop_accepting import accept_shop_plan
from jobs.services.stopping import stop_job
from shop.errors import Conflict, NotEnough, WrongState
from tests.jobs.shop import AT
from tests.jobs.test_races import deadlocks, together
from tests.jobs.three_bays import made, three_bays

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def jobs(workshop):
    return three_bays(workshop)


def held_once() -> None:
    for balance in Balance.objects.exclude(held=0):
        lines = HoldLine.objects.filter(
            hold__state="held", place_id=balance.place_id, thickness_nm=balance.thickness_nm
        )
        assert sum(line.quantity for line in lines) == balance.held <= balance.on_hand
    assert audit() == []


def test_two_plans_at_once(jobs, workshop, tech, clerk):
    plans = [made(workshop, tech), made(workshop, clerk)]
    before = deadlocks()
    ended = together(
        *(
            lambda plan=plan, actor=actor: accept_shop_plan(plan=plan, actor=actor, at=AT)
            for plan, actor in zip(plans, (tech, clerk), strict=True)
        )
    )
    (won,) = [end for end in ended if isinstance(end, ShopPlan)]
    (lost,) = [end for end in ended if isinstance(end, Conflict)]
    assert lost.code == "plan-stale"
    assert f"{won} was accepted." in lost.message or "a plan for it was accepted meanwhile" in lost.message
    assert lost.message.endswith("Make a new plan.")
    assert sorted(ShopPlan.objects.values_list("state", flat=True)) == ["accepted", "stale"]
    assert Plan.objects.filter(state="accepted").count() == 3
    assert deadlocks() == before
    held_once()


def test_one_plan_by_two_people(jobs, workshop, tech, clerk):
    plan = made(workshop, tech)
    ended = together(
        *(lambda actor=actor: accept_shop_plan(plan=plan, actor=actor, at=AT) for actor in (tech, clerk))
    )
    assert sorted(type(end).__name__ for end in ended) == ["ShopPlan", "WrongState"]
    held_once()


def test_a_shop_plan_and_one_engines_own(jobs, workshop, tech, clerk):
    """Both want the one shim in the drawer: one gets it, the other hears so."""
    plan, own = made(workshop, tech), plan_job(job=jobs[2], actor=tech, at=AT)
    ended = together(
        lambda: accept_shop_plan(plan=plan, actor=tech, at=AT),
        lambda: accept_plan(plan=own, actor=clerk, at=AT),
    )
    refused = [end for end in ended if isinstance(end, Conflict | NotEnough | WrongState)]
    assert len(refused) == 1, ended
    held_once()


def test_one_shim_is_handed_over_once(jobs, workshop, tech, clerk):
    accept_shop_plan(plan=made(workshop, tech), actor=tech, at=AT)
    row = HandOver.objects.get(to_job=jobs[1])
    ended = together(
        *(lambda actor=actor: hand_over(hand_over=row, actor=actor, at=AT) for actor in (tech, clerk))
    )
    assert sorted(type(end).__name__ for end in ended) == ["HandOver", "WrongState"]
    held_once()


def test_handed_over_while_the_giver_stops(jobs, workshop, tech, clerk):
    accept_shop_plan(plan=made(workshop, tech), actor=tech, at=AT)
    row = HandOver.objects.get(to_job=jobs[1])
    before = deadlocks()
    together(
        lambda: hand_over(hand_over=row, actor=clerk, at=AT),
        lambda: stop_job(job=jobs[0], actor=tech, at=AT, note="sold"),
        lambda: stop_job(job=jobs[1], actor=tech, at=AT, note="sold"),
    )
    row.refresh_from_db()
    assert row.state == "released"
    assert deadlocks() == before
    held_once()
