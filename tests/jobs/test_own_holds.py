"""What is held for a job by hand is there for its plan, and accepting the plan takes those holds over."""

from datetime import timedelta

import pytest

from inventory.models import Balance, Hold, HoldLine
from inventory.selectors.audit import audit
from inventory.services.floor import Shims, move_shims
from inventory.services.holds import Wanted, hand_out_hold, hold_shims, release_hold
from inventory.services.take_over import take_over_hold
from jobs.models import Job, Plan
from jobs.services.handing_out import hand_out_job
from jobs.services.planning import accept_plan, plan_job, release_plan
from jobs.services.shop_accepting import accept_shop_plan
from shop.conf import conf
from shop.errors import Conflict, NotEnough
from tests.jobs.by_hand import BOTH, hold_by_hand, with_one_there
from tests.jobs.shop import AT, HOUR, USED
from tests.jobs.three_bays import actions as shop_actions
from tests.jobs.three_bays import made, three_bays

pytestmark = pytest.mark.django_db


@pytest.fixture
def job(workshop):
    return with_one_there(workshop)


@pytest.fixture
def hold(workshop, job):
    def act(quantity=1, for_job=job, **more):
        return hold_by_hand(workshop, for_job, quantity=quantity, **more)

    return act


def elsewhere(workshop, boss):
    """Two of 2.575 mm go to a bin that is listed after theirs."""
    shim = Shims(
        family=workshop.family,
        thickness_nm=2_575_000,
        condition=USED,
        quantity=2,
        place=workshop.bin("elsewhere"),
    )
    move_shims(site=workshop.site, actor=boss, at=AT, source=workshop.bins["2.575"], shims=[shim])


def actions(plan):
    return {line.label: (line.action, line.thickness_nm) for line in plan.lines.filter(label__in=BOTH)}


def held_lines(job):
    rows = HoldLine.objects.filter(hold__job_id=job.pk, hold__state=Hold.State.HELD)
    return sorted(rows.values_list("label", "thickness_nm", "quantity"))


def held_in(place):
    return Balance.objects.get(place=place).held


def test_a_shim_that_is_held_for_the_job_is_there_for_its_plan(job, workshop, hold, tech):
    by_hand = hold()
    plan = workshop.planned(job)
    assert sorted(actions(plan).values()) == [("buy", 2_575_000), ("stock", 2_575_000)]
    plan = accept_plan(plan=plan, actor=tech, at=AT)
    (label,) = [line.label for line in plan.lines.all() if line.action == "stock"]
    assert plan.hold == by_hand
    assert held_lines(job) == [(label, 2_575_000, 1)]
    assert held_in(workshop.bins["2.575"]) == 1
    assert audit() == []


def test_it_comes_before_what_anybody_may_take(job, workshop, hold, tech, boss):
    """Alike to the last nanometre, in a bin that is listed after the one from which anybody may take."""
    workshop.stock(("2.575", USED, 4))
    elsewhere(workshop, boss)
    by_hand = hold(2, bin_of="elsewhere")
    plan = workshop.planned(job)
    assert {line.from_place.code for line in plan.lines.all() if line.action == "stock"} == {"B02"}
    accept_plan(plan=plan, actor=tech, at=AT)
    assert held_lines(job) == [("1-IN", 2_575_000, 1), ("2-IN", 2_575_000, 1)]
    assert Hold.objects.get(job_id=job.pk, state=Hold.State.HELD) == by_hand


def test_another_s_hold_is_not(job, workshop, hold):
    hold(for_job=workshop.job(workshop.vehicle("N 999")))
    assert set(actions(workshop.planned(job)).values()) == {("buy", 2_575_000)}


def test_of_many_alike_it_takes_what_it_needs_and_the_rest_stays_held(job, workshop, hold, tech):
    workshop.stock(("2.575", USED, 4))
    hold(4)
    plan = accept_plan(plan=workshop.planned(job), actor=tech, at=AT)
    assert held_lines(job) == [("", 2_575_000, 2), ("1-IN", 2_575_000, 1), ("2-IN", 2_575_000, 1)]
    assert held_in(workshop.bins["2.575"]) == 4
    assert plan.job.state == Job.State.HELD
    assert audit() == []


def test_what_it_lacks_is_held_beside(job, workshop, hold, tech):
    workshop.stock(("2.575", USED, 4))
    by_hand = hold(1, expires_in=HOUR)
    plan = accept_plan(plan=workshop.planned(job), actor=tech, at=AT)
    assert Hold.objects.filter(job_id=job.pk, state=Hold.State.HELD).count() == 2
    assert plan.hold != by_hand
    assert held_lines(job) == [("1-IN", 2_575_000, 1), ("2-IN", 2_575_000, 1)]
    by_hand.refresh_from_db()
    assert by_hand.expires_at == AT + conf.hold_time


def test_one_that_is_held_longer_stays_so(job, workshop, hold, tech):
    workshop.stock(("2.575", USED, 4))
    by_hand = hold(2, expires_in=timedelta(days=20))
    accept_plan(plan=workshop.planned(job), actor=tech, at=AT)
    by_hand.refresh_from_db()
    assert by_hand.expires_at == AT + timedelta(days=20)


def test_held_in_another_bin_after_the_plan_was_made(job, workshop, hold, tech, boss):
    workshop.stock(("2.575", USED, 4))
    plan = workshop.planned(job)
    elsewhere(workshop, boss)
    hold(1, bin_of="elsewhere")
    plan = accept_plan(plan=plan, actor=tech, at=AT)
    assert held_lines(job) == [("1-IN", 2_575_000, 1), ("2-IN", 2_575_000, 1)]
    assert {line.from_place.code for line in plan.lines.all() if line.action == "stock"} == {"B01", "B02"}
    assert (held_in(workshop.bins["2.575"]), held_in(workshop.bins["elsewhere"])) == (1, 1)


def test_one_that_was_released_meanwhile_is_held_anew_or_missed(job, workshop, hold, tech):
    by_hand = hold()
    plan = workshop.planned(job)
    release_hold(hold=by_hand, actor=tech, at=AT)
    accepted = accept_plan(plan=plan, actor=tech, at=AT)
    assert accepted.hold != by_hand
    release_plan(job=accepted.job, actor=tech, at=AT)
    hold(for_job=None)
    with pytest.raises(NotEnough):
        accept_plan(plan=Plan.objects.get(pk=plan.pk), actor=tech, at=AT)


def test_one_whose_time_is_over_is_held_anew(job, workshop, hold, tech):
    by_hand = hold(expires_in=HOUR)
    plan = workshop.planned(job)
    accepted = accept_plan(plan=plan, actor=tech, at=AT + HOUR)
    by_hand.refresh_from_db()
    assert by_hand.state == Hold.State.EXPIRED
    assert accepted.hold != by_hand
    assert held_in(workshop.bins["2.575"]) == 1
    assert audit() == []


def test_one_that_lies_in_the_job_s_tray_already(job, workshop, hold, tech):
    by_hand = hold()
    hand_out_hold(hold=by_hand, tray=job.tray, actor=tech, at=AT)
    plan = workshop.planned(job)
    assert sorted(action for action, _ in actions(plan).values()) == ["buy", "tray"]
    accepted = accept_plan(plan=plan, actor=tech, at=AT)
    assert accepted.hold == by_hand
    assert held_in(job.tray) == 1
    release_plan(job=accepted.job, actor=tech, at=AT)
    assert Balance.objects.get(place=workshop.bins["2.575"]).on_hand == 1
    assert audit() == []


def test_it_is_carried_to_the_tray_and_given_back_like_any_other(job, workshop, hold, tech):
    workshop.stock(("2.575", USED, 1))
    hold(2)
    accepted = accept_plan(plan=workshop.planned(job), actor=tech, at=AT)
    out = hand_out_job(job=accepted.job, actor=tech, at=AT)
    assert held_in(job.tray) == 2
    release_plan(job=out, actor=tech, at=AT)
    assert held_in(workshop.bins["2.575"]) == 0
    assert audit() == []


def one_for(workshop, job, **more):
    line = Wanted(
        place=workshop.bins["2.575"],
        family_id=workshop.family.pk,
        thickness_nm=2_575_000,
        condition=USED,
        quantity=1,
    )
    by = {"site": workshop.site, "actor": workshop.tech, "at": AT}
    return hold_shims(**by, lines=[line], reference="by hand", job_id=job.pk, **more)


@pytest.mark.django_db(transaction=True)
def test_a_plan_for_the_shop_takes_it_over_too(workshop, tech):
    """Bay 1 may have the one shim of 2.575 mm, since it is held for it; bay 3 gets another."""
    jobs = three_bays(workshop)
    by_hand = one_for(workshop, jobs[0])
    plan = made(workshop, tech)
    assert shop_actions(plan)[1]["1-IN"] == "stock"
    assert shop_actions(plan)[3]["1-IN"] != "stock"
    accept_shop_plan(plan=plan, actor=tech, at=AT)
    by_hand.refresh_from_db()
    assert by_hand.state == Hold.State.HELD
    assert held_lines(jobs[0]) == [("1-IN", 2_575_000, 1)]
    assert Plan.objects.get(job=jobs[0], state=Plan.State.ACCEPTED).hold == by_hand
    assert held_in(workshop.bins["2.575"]) == 1
    assert audit() == []


@pytest.mark.django_db(transaction=True)
def test_what_was_held_or_released_since_makes_a_plan_for_the_shop_stale(workshop, tech):
    jobs = three_bays(workshop)
    by_hand = one_for(workshop, jobs[0])
    plan = made(workshop, tech)
    release_hold(hold=by_hand, actor=tech, at=AT)
    with pytest.raises(Conflict, match="from B01 for 1-IN of Job 1: 0 held for it"):
        accept_shop_plan(plan=plan, actor=tech, at=AT)
    plan = made(workshop, tech)
    one_for(workshop, jobs[0])
    with pytest.raises(Conflict, match=r"1 × 2\.575 mm used were held for Job 1 in B01"):
        accept_shop_plan(plan=plan, actor=tech, at=AT)


@pytest.mark.django_db(transaction=True)
def test_what_lies_in_its_tray_for_it_is_there_for_the_shop_s_plan(workshop, tech):
    jobs = three_bays(workshop)
    by_hand = one_for(workshop, jobs[0])
    hand_out_hold(hold=by_hand, tray=jobs[0].tray, actor=tech, at=AT)
    accept_shop_plan(plan=made(workshop, tech), actor=tech, at=AT)
    line = Plan.objects.get(job=jobs[0], state=Plan.State.ACCEPTED).lines.get(label="1-IN")
    assert (line.action, line.from_place) == ("tray", None)
    assert held_lines(jobs[0]) == [("1-IN", 2_575_000, 1)]
    assert held_in(jobs[0].tray) == 1
    assert audit() == []


def test_a_manager_who_takes_it_over_ends_the_plan(job, workshop, hold, tech, boss):
    workshop.stock(("2.575", USED, 1))
    by_hand = hold(2)
    accept_plan(plan=workshop.planned(job), actor=tech, at=AT)
    take_over_hold(hold=by_hand, actor=boss, at=AT, reference="urgent", reason="it waits outside")
    plan_again = plan_job(job=Job.objects.get(pk=job.pk), actor=tech, at=AT)
    assert set(actions(plan_again).values()) == {("buy", 2_575_000)}
    assert audit() == []
