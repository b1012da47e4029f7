"""Shims that go from one job to another: promised, handed over, fitted; or given back."""

import pytest

from inventory.models import Balance, Hold, Movement, PlaceKind, Reason
from inventory.selectors.audit import audit
from inventory.selectors.places import place_of
from inventory.services.holds import release_hold
from inventory.services.receiving import receive_purchase
from jobs.models import Fit, HandOver, Job, Plan
from jobs.services.bays import take_into_bay
from jobs.services.fitting import ReallyFitted, fit_job
from jobs.services.handing_over import hand_over
from jobs.services.planning import plan_job, release_plan
from jobs.services.promises import accepted_plan, lose_plan
from jobs.services.shop_accepting import accept_shop_plan
from jobs.services.sign_off import sign_off_job
from jobs.services.stopping import stop_job
from shop.actor import service_actor
from shop.db import atomic_write
from shop.errors import HoldExpired, NotFound, WrongState
from tests.jobs.shop import AT, NEW, mm
from tests.jobs.test_accept_shop_plan import bought
from tests.jobs.three_bays import fresh, hand_overs, made, three_bays, work


@pytest.fixture
def jobs(workshop, tech):
    """Accepted: bay 2 gets the 2.650 mm shim out of 1-IN of bay 1, which waits for 2-IN."""
    jobs = three_bays(workshop)
    accept_shop_plan(plan=made(workshop, tech), actor=tech, at=AT)
    return fresh(jobs)


@pytest.fixture
def row(jobs):
    return HandOver.objects.get(to_job=jobs[1])


def carry(row, actor, at=AT) -> HandOver:
    return hand_over(hand_over=row, actor=actor, at=at)


def in_tray(job) -> dict[int, tuple[int, int]]:
    rows = Balance.objects.filter(place=job.tray, on_hand__gt=0)
    return {row.thickness_nm: (row.on_hand, row.held) for row in rows}


def states(jobs) -> list[str]:
    return [str(job.state) for job in fresh(jobs)]


def test_pulled_carried_and_held_for_its_valve(jobs, row, tech):
    row = carry(row, tech)
    assert (row.state, row.out, row.handed_over_by) == ("handed_over", True, "Ines Varga")
    assert in_tray(jobs[0]) == {}
    assert in_tray(jobs[1]) == {2_650_000: (1, 1)}
    moves = list(Movement.objects.filter(reason__in=[Reason.PULL, Reason.HAND_OVER]))
    assert [(move.reason, move.job_id) for move in moves] == [
        ("pull", jobs[0].pk),
        ("hand_over", jobs[1].pk),
    ]
    assert moves[1].document == "Job 1 to Job 2"
    said = "The 2.650 mm shim of 1-IN went from bay 1 (Job 1) to bay 2 (Job 2) for 1-IN."
    assert [job.events.last().text for job in jobs[:2]] == [said, said]
    line = row.hold.lines.get()
    assert (row.hold.job_id, line.label, row.hold.expires_at) == (jobs[1].pk, "1-IN", None)
    assert audit() == []


def test_fitted_where_it_was_promised(jobs, row, tech):
    carry(row, tech)
    fit_job(job=jobs[1], actor=tech, at=AT)
    row.refresh_from_db()
    assert row.state == "fitted"
    fit = Fit.objects.get(valve__job=jobs[1])
    assert (fit.fitted_nm, fit.fitted_from, fit.differs) == (2_650_000, "tray", False)
    assert not Hold.objects.filter(job_id=jobs[1].pk, state="held").exists()


def test_not_before_it_is_there(jobs, row, tech):
    with pytest.raises(
        WrongState, match=r"hand over the 2.650 mm shim of 1-IN from bay 1 \(Job 1\) for 1-IN"
    ):
        fit_job(job=jobs[1], actor=tech, at=AT)
    assert not Fit.objects.exists()


def test_once(jobs, row, tech):
    carry(row, tech)
    with pytest.raises(WrongState, match="handed over already"):
        carry(row, tech)
    assert Movement.objects.filter(reason=Reason.HAND_OVER).count() == 1


def test_only_people_of_the_site(row, stranger):
    with pytest.raises(NotFound):
        carry(row, stranger)


def test_something_else_was_fitted(jobs, row, workshop, tech):
    workshop.stock(("2.625", NEW, 1))
    other = ReallyFitted(thickness=mm("2.625"), condition=NEW, source="bin:B02", reason="was at hand")
    fit_job(job=jobs[1], actor=tech, at=AT, really={"1-IN": other})
    row.refresh_from_db()
    assert (row.state, row.ended_because) == ("released", "Something else was fitted in 1-IN of Job 2.")
    # The giver does not count on it: its plan stands.
    assert states(jobs)[0] == Job.State.WAITING


class TestGiverStops:
    def test_before_it_was_handed_over(self, jobs, row, tech):
        stop_job(job=jobs[0], actor=tech, at=AT, note="sold")
        row.refresh_from_db()
        assert row.state == "released"
        assert states(jobs)[1] == Job.State.PLANNED
        plan = Plan.objects.get(job=jobs[1])
        assert (plan.state, "It counted on a shim of Job 1" in plan.stale_because) == ("stale", True)
        assert not Balance.objects.filter(held__gt=0, place__kind=PlaceKind.TRAY).exists()
        assert audit() == []

    def test_after_it_was_handed_over_it_goes_back(self, jobs, row, tech):
        engine = place_of(jobs[0].site, PlaceKind.ENGINE)
        before = Balance.objects.filter(place=engine, thickness_nm=2_650_000).first()
        assert before is None
        carry(row, tech)
        stop_job(job=jobs[0], actor=tech, at=AT, note="sold")
        assert in_tray(jobs[1]) == {}
        assert Balance.objects.get(place=engine, thickness_nm=2_650_000).on_hand == 0
        assert states(jobs)[:2] == [Job.State.STOPPED, Job.State.PLANNED]
        assert audit() == []

    def test_after_it_was_fitted_elsewhere(self, jobs, row, tech):
        carry(row, tech)
        fit_job(job=jobs[1], actor=tech, at=AT)
        stop_job(job=jobs[0], actor=tech, at=AT, note="sold")
        assert states(jobs)[:2] == [Job.State.STOPPED, Job.State.FITTED]
        assert audit() == []


class TestTakerStops:
    def test_before_it_was_handed_over(self, jobs, row, tech):
        stop_job(job=jobs[1], actor=tech, at=AT, note="sold")
        row.refresh_from_db()
        assert row.state == "released"
        assert audit() == []

    def test_after_it_was_handed_over_it_goes_back(self, jobs, row, tech):
        carry(row, tech)
        stop_job(job=jobs[1], actor=tech, at=AT, note="sold")
        row.refresh_from_db()
        assert (row.state, row.out) == ("released", False)
        assert in_tray(jobs[1]) == {}
        assert "came back from bay 2" in jobs[0].events.filter(act="hand_over").last().text
        assert audit() == []


def test_releasing_the_givers_plan_takes_the_shim_back(jobs, row, tech):
    carry(row, tech)
    release_plan(job=jobs[0], actor=tech, at=AT)
    row.refresh_from_db()
    assert row.state == "released"
    assert states(jobs)[:2] == [Job.State.PLANNED, Job.State.PLANNED]
    assert audit() == []


def test_the_givers_plan_stands_while_its_valve_is_empty(jobs, row, tech):
    carry(row, tech)
    fit_job(job=jobs[1], actor=tech, at=AT)
    with pytest.raises(WrongState, match="that of 1-IN is in 1-IN of Job 2"):
        release_plan(job=jobs[0], actor=tech, at=AT)


def test_a_valve_whose_shim_is_elsewhere_is_planned_as_empty(jobs, row, workshop, tech):
    """The giver lost its plan after its shim went into another engine."""
    carry(row, tech)
    fit_job(job=jobs[1], actor=tech, at=AT)
    giver = fresh(jobs)[0]
    with atomic_write():
        lose_plan(giver, accepted_plan(giver), "It was given free.", AT)
    with pytest.raises(WrongState, match=r"the shim of 1-IN is in another engine\. Make a shop plan"):
        plan_job(job=giver, actor=tech, at=AT)
    plan = made(workshop, tech)
    (mine,) = [entry for entry in plan.result["jobs"] if entry["job"] == str(giver.pk)]
    (empty,) = [choice for choice in mine["choices"] if choice["label"] == "1-IN"]
    assert empty["action"] in ("stock", "swap", "tray", "buy")
    taken = [choice for entry in plan.result["jobs"] for choice in entry["choices"]]
    key = (str(giver.pk), "1-IN")
    assert key not in [(choice["from_job"], choice["from_label"]) for choice in taken]
    accept_shop_plan(plan=plan, actor=tech, at=AT)
    assert audit() == []


def test_a_hold_that_somebody_gave_free(jobs, row, tech, boss):
    row = carry(row, tech)
    release_hold(hold=row.hold, actor=boss, at=AT)
    with pytest.raises(HoldExpired, match="no longer held"):
        fit_job(job=jobs[1], actor=tech, at=AT)


def test_the_giver_is_fitted_first_and_signs_off_last(workshop, tech):
    """Both can leave: what the giver pulls lies in its tray, held, until it is carried over."""
    jobs = three_bays(workshop)
    workshop.stock(("2.825", NEW, 1))
    accept_shop_plan(plan=made(workshop, tech), actor=tech, at=AT)
    jobs = fresh(jobs)
    (row,) = hand_overs(to_job=jobs[1])
    giver = jobs[[job.pk for job in jobs].index(row.from_job_id)]
    for incoming in hand_overs(to_job=giver):
        carry(incoming, tech)
    fit_job(job=giver, actor=tech, at=AT)
    row.refresh_from_db()
    assert (row.state, row.hold.state) == ("promised", "held")
    assert in_tray(giver)[row.thickness_nm][1] == 1
    workshop.read(giver, {"1-IN": "8 thou", "2-IN": "8 thou"})
    with pytest.raises(WrongState, match=r"hand over the 2\.65"):
        sign_off_job(job=giver, actor=tech, at=AT)
    row = carry(row, tech)
    assert row.out is False
    sign_off_job(job=giver, actor=tech, at=AT)
    fit_job(job=jobs[1], actor=tech, at=AT)
    assert audit() == []


def test_a_valve_is_not_left_empty(jobs, row, tech, workshop):
    """The giver's fit pulls nothing twice, and fills the valve that was emptied."""
    for each in hand_overs():
        carry(each, tech)
    fit_job(job=jobs[1], actor=tech, at=AT)
    with pytest.raises(WrongState, match="waits for shims that have to be bought"):
        fit_job(job=jobs[0], actor=tech, at=AT)
    workshop.bin("2.825")
    ordered = bought(workshop, service_actor(), 2_825_000)
    line = ordered.lines.get()
    received = {line.pk: 1}
    receive_purchase(
        purchase_list=ordered,
        actor=service_actor(),
        at=AT,
        received=received,
        bins={line.pk: workshop.bins["2.825"]},
    )
    work()
    giver = fresh(jobs)[0]
    pulled = Movement.objects.filter(job_id=giver.pk, reason=Reason.PULL).count()
    fit_job(job=giver, actor=tech, at=AT)
    (pull,) = Movement.objects.filter(job_id=giver.pk, reason=Reason.PULL)[pulled:]
    # 1-IN was pulled when its shim was handed over; 2-IN is pulled now.
    assert {line.thickness_nm for line in pull.lines.all()} == {2_900_000}
    assert {valve.label: valve.shim_nm for valve in giver.valves.all()}["2-IN"] == 2_825_000
    assert audit() == []


def test_it_does_not_go_to_the_yard_while_the_two_wait_for_each_other(jobs, tech):
    ring = {row.from_job_id for row in hand_overs()} & {row.to_job_id for row in hand_overs()}
    assert ring, "the story has a ring"
    (one,) = [job for job in jobs if job.pk in ring][:1]
    with pytest.raises(WrongState, match="wait for each other"):
        take_into_bay(job=one, actor=tech, at=AT, bay=None)
