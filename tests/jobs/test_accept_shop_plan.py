"""Accepting a plan for the whole shop: all of it is held or nothing; who comes late hears what changed."""

import pytest

from inventory.models import Balance, Hold, Need
from inventory.selectors.audit import audit
from inventory.services.catalogue import add_offer, add_supplier
from inventory.services.floor import Shims, scrap_shims
from inventory.services.holds import Wanted, hold_shims
from inventory.services.purchasing import Buy, mark_bought
from inventory.services.receiving import receive_purchase
from jobs.models import HandOver, Job, Plan, ShopPlan
from jobs.services.planning import accept_plan, plan_job
from jobs.services.shop_accepting import accept_shop_plan
from jobs.services.stopping import stop_job
from shop.actor import service_actor
from shop.errors import Conflict, Forbidden, NotFound, WrongState
from tests.jobs.shop import AT, NEW, USED
from tests.jobs.three_bays import fresh, gets, hand_overs, made, three_bays, work


@pytest.fixture
def jobs(workshop):
    return three_bays(workshop)


def accept(plan, actor, at=AT) -> ShopPlan:
    return accept_shop_plan(plan=plan, actor=actor, at=at)


def test_everything_is_held(jobs, workshop, tech):
    plan = accept(made(workshop, tech), tech)
    assert (plan.state, plan.accepted_by) == (ShopPlan.State.ACCEPTED, "Ines Varga")
    states = [job.state for job in fresh(jobs)]
    assert states == [Job.State.WAITING, Job.State.HELD, Job.State.HELD]
    assert gets(jobs[1]) == {"1-IN": 2_650_000}
    assert Need.objects.get().valve_label == "2-IN"
    assert Balance.objects.get(place=workshop.bins["2.575"]).held == 1
    (to_bay_2,) = hand_overs(to_job=jobs[1])
    assert (to_bay_2.from_job, to_bay_2.from_label, to_bay_2.state) == (jobs[0], "1-IN", "promised")
    assert to_bay_2.hold is None
    (mine,) = Plan.objects.filter(job=jobs[1])
    assert (mine.state, mine.shop_plan, mine.opened, mine.bought) == ("accepted", plan, 1, 0)
    assert "2.650 mm for 1-IN from bay 1 (Job 1)" in jobs[1].events.last().text
    assert "gives 2.650 mm of 1-IN to bay 2 (Job 2)" in jobs[0].events.last().text


def test_accepting_twice_holds_once(jobs, workshop, tech):
    plan = accept(made(workshop, tech), tech)
    with pytest.raises(WrongState, match="accepted; only a proposed plan"):
        accept(plan, tech)
    assert Hold.objects.count() == 1


def test_only_people_of_the_site(jobs, workshop, tech, stranger):
    plan = made(workshop, tech)
    with pytest.raises(NotFound):
        accept(plan, stranger)
    assert not Hold.objects.exists()


def test_the_second_of_two_plans_is_out_of_date(jobs, workshop, tech, clerk):
    first, second = made(workshop, tech), made(workshop, clerk)
    accept(first, tech)
    second.refresh_from_db()
    assert second.state == ShopPlan.State.STALE
    with pytest.raises(
        Conflict, match=r"Shop plan 2 is out of date. Job \d: Shop plan 1 was accepted."
    ) as no:
        accept(second, clerk)
    assert no.value.code == "plan-stale"


def refused(plan, actor) -> str:
    """What is said where the shop moved on and nothing marked the plan."""
    with pytest.raises(Conflict) as refusal:
        accept(plan, actor)
    assert refusal.value.code == "plan-stale"
    assert not HandOver.objects.exists()
    assert not Plan.objects.filter(state=Plan.State.ACCEPTED, shop_plan=plan).exists()
    plan.refresh_from_db()
    assert plan.state == ShopPlan.State.STALE
    return refusal.value.message


def one_from(workshop, thickness="2.575", condition=USED) -> Wanted:
    return Wanted(
        place=workshop.bins[thickness],
        family_id=workshop.family.pk,
        thickness_nm=int(thickness.replace(".", "")) * 1000,
        condition=condition,
        quantity=1,
    )


def test_a_shim_that_somebody_else_holds_now_is_named_with_who_has_it(jobs, workshop, tech):
    plan = made(workshop, tech)
    hold_shims(site=workshop.site, actor=tech, at=AT, lines=[one_from(workshop)], reference="calculator 7")
    said = refused(plan, tech)
    assert "1 × 2.575 mm used from B01 for 1-IN of Job" in said
    assert "0 left. Held for calculator 7 (Ines Varga)." in said
    assert said.endswith("Make a new plan.")
    # Only the calculator's hold is there: nothing is half-held.
    assert Balance.objects.get(place=workshop.bins["2.575"]).held == 1


def test_a_shim_that_was_thrown_away_is_named_with_who_did_it(jobs, workshop, tech, service):
    plan = made(workshop, tech)
    bent = Shims(family=workshop.family, thickness_nm=2_575_000, condition=USED, quantity=1)
    scrap_shims(
        site=workshop.site,
        actor=service,
        at=AT,
        source=workshop.bins["2.575"],
        shims=[bent],
        note="bent",
    )
    assert "Scrap, Coldgap, 2026-03-02 08:30 UTC." in refused(plan, tech)


def test_a_new_reading_makes_it_stale_at_once(jobs, workshop, tech):
    plan = made(workshop, tech)
    workshop.read(jobs[1], {"1-IN": "8 thou"})
    plan.refresh_from_db()
    assert (plan.state, "Job 2: " in plan.stale_because) == (ShopPlan.State.STALE, True)


def test_an_engine_that_is_read_later_makes_it_stale(jobs, workshop, tech):
    plan = made(workshop, tech)
    workshop.read(workshop.job(), {"1-IN": "8 thou"})
    plan.refresh_from_db()
    assert plan.state == ShopPlan.State.STALE


def test_a_job_that_is_stopped_makes_it_stale(jobs, workshop, tech):
    plan = made(workshop, tech)
    stop_job(job=jobs[2], actor=tech, at=AT, note="sold")
    plan.refresh_from_db()
    assert plan.state == ShopPlan.State.STALE


def test_a_job_planned_on_its_own_makes_it_stale(jobs, workshop, tech):
    plan = made(workshop, tech)
    accept_plan(plan=plan_job(job=jobs[2], actor=tech, at=AT), actor=tech, at=AT)
    plan.refresh_from_db()
    assert plan.state == ShopPlan.State.STALE


def bought(workshop, clerk, thickness_nm, quantity=1):
    supplier = add_supplier(actor=service_actor(), code="brandt", name="Brandt Parts", lead_days=2)
    add_offer(actor=service_actor(), supplier=supplier, family=workshop.family, price=4, currency="EUR")
    return mark_bought(
        site=workshop.site,
        actor=clerk,
        at=AT,
        supplier=supplier,
        buys=[Buy(family=workshop.family, thickness_nm=thickness_nm, quantity=quantity)],
    )


def test_a_delivery_makes_it_stale(jobs, workshop, tech, clerk):
    workshop.bin("2.825")
    ordered = bought(workshop, clerk, 2_825_000)
    plan = made(workshop, tech)
    line = ordered.lines.get()
    receive_purchase(
        purchase_list=ordered,
        actor=clerk,
        at=AT,
        received={line.pk: 1},
        bins={line.pk: workshop.bins["2.825"]},
    )
    work()
    work()
    plan.refresh_from_db()
    assert (plan.state, plan.stale_because) == (ShopPlan.State.STALE, "Purchase list 1 came in.")


def test_shims_that_came_without_a_list_are_found_out_on_accepting(jobs, workshop, tech):
    plan = made(workshop, tech)
    workshop.stock(("2.825", NEW, 2))
    assert "2 × 2.825 mm new came free in B02." in refused(plan, tech)


def test_what_is_on_order_is_promised_to_the_job(jobs, workshop, tech, clerk):
    ordered = bought(workshop, clerk, 2_825_000, 2)
    plan = accept(made(workshop, tech), tech)
    need = Need.objects.get()
    assert (need.state, need.line.purchase_list, need.thickness_nm) == ("bought", ordered, 2_825_000)
    assert plan.result["score"]["awaited"] == 1
    (first,) = Plan.objects.filter(job=jobs[0])
    assert (first.awaited, first.bought) == (1, 0)


def test_accepted_parts_stay_where_they_are(jobs, workshop, tech):
    accept(made(workshop, tech), tech)
    before = {job.pk: gets(job) for job in jobs}
    other = workshop.read(
        workshop.job(),
        {"1-IN": "5 thou", "2-IN": "8 thou", "1-EX": "12 thou", "2-EX": "12 thou"},
        {"1-IN": "2.650 mm"},
    )
    plan = accept(made(workshop, tech), tech)
    assert {job.pk: gets(job) for job in jobs} == before
    assert set(gets(other)) == {"1-IN"}
    accepted = {entry["job"]: entry["accepted"] for entry in plan.result["jobs"]}
    assert accepted == {**{str(job.pk): True for job in jobs}, str(other.pk): False}
    assert audit() == []


def test_a_manager_may_have_accepted_parts_planned_anew(jobs, workshop, tech, boss):
    accept(made(workshop, tech), tech)
    workshop.stock(("2.825", NEW, 1))
    plan = accept(made(workshop, boss, move_accepted=True), boss)
    assert [job.state for job in fresh(jobs)] == [Job.State.HELD] * 3
    assert gets(jobs[0])["2-IN"] == 2_825_000
    assert plan.places["moved"] == sorted(str(job.pk) for job in jobs)
    assert not Need.objects.filter(state="open").exists()
    assert audit() == []


def test_a_technician_cannot_accept_what_moves_accepted_parts(jobs, workshop, tech, boss):
    accept(made(workshop, tech), tech)
    workshop.stock(("2.825", NEW, 1))
    plan = made(workshop, boss, move_accepted=True)
    with pytest.raises(Forbidden, match="move accepted parts"):
        accept(plan, tech)


def test_a_plan_that_takes_nothing(workshop, tech):
    good = {"1-IN": "8 thou", "2-IN": "8 thou", "1-EX": "12 thou", "2-EX": "12 thou"}
    workshop.read(workshop.job(), good)
    with pytest.raises(WrongState, match="nothing to accept"):
        accept(made(workshop, tech), tech)
