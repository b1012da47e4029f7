import pytest

from inventory.models import Balance, Hold, Movement, Need
from inventory.services.floor import Shims, scrap_shims
from inventory.services.holds import Wanted, hold_shims
from jobs.models import Job, Plan
from jobs.services.planning import accept_plan
from jobs.services.readings import set_adjust
from shop.conf import conf
from shop.errors import Conflict, NotEnough, NotFound, WrongState
from tests.jobs.shop import AT, NEW, USED

OUT = {"1-IN": "5 thou", "1-EX": "12 thou", "2-IN": "5 thou", "2-EX": "12 thou"}
SHIMS = {"1-IN": "2.650 mm", "2-IN": "2.850 mm"}


@pytest.fixture
def job(workshop):
    """1-IN wants 2.575 mm, which is there; 2-IN wants 2.775 mm, which is to be bought."""
    workshop.stock(("2.575", USED, 1))
    return workshop.read(workshop.job(), OUT, SHIMS)


def accept(plan, actor, **more) -> Plan:
    return accept_plan(plan=plan, actor=actor, at=AT, **more)


def take_away(workshop, thickness="2.575") -> None:
    """Somebody else holds the one shim."""
    hold_shims(
        site=workshop.site,
        actor=workshop.tech,
        at=AT,
        lines=[
            Wanted(
                place=workshop.bins[thickness],
                family_id=workshop.family.pk,
                thickness_nm=2_575_000,
                condition=USED,
                quantity=1,
            )
        ],
        reference="calculator 7",
    )


def test_stock_lines_are_held_with_their_valves_and_the_rest_is_noted_to_buy(job, workshop, tech):
    plan = accept(workshop.planned(job), tech)
    job.refresh_from_db()
    assert (job.state, plan.state) == (Job.State.WAITING, Plan.State.ACCEPTED)
    line = plan.hold.lines.get()
    assert (line.label, line.place.code, line.thickness_nm, line.quantity) == ("1-IN", "B01", 2_575_000, 1)
    assert (plan.hold.job_id, plan.hold.reference) == (job.pk, "Job 1")
    assert plan.hold.expires_at == AT + conf.waiting_hold_time  # it waits for what must be bought
    need = Need.objects.get()
    assert (need.job_id, need.job_label, need.valve_label) == (job.pk, "Job 1", "2-IN")
    assert (need.thickness_nm, need.state, need.needed_by) == (2_775_000, Need.State.OPEN, None)
    assert Balance.objects.get(place=workshop.bins["2.575"]).held == 1
    assert job.events.last().text == "Plan 1: 1 shim held, to buy: 2.775 mm for 2-IN."


def test_a_plan_all_in_stock_is_held(job, workshop, tech):
    workshop.stock(("2.775", NEW, 1))
    accept(workshop.planned(job), tech)
    job.refresh_from_db()
    assert job.state == Job.State.HELD
    assert not Need.objects.exists()


def test_a_plan_of_swaps_alone_needs_no_hold(workshop, tech):
    # Each intake valve has the shim that the other one wants.
    shims = {"1-IN": "2.650 mm", "2-IN": "2.575 mm"}
    job = workshop.read(workshop.job(), {**OUT, "2-IN": "11 thou"}, shims)
    plan = workshop.planned(job)
    assert set(plan.lines.values_list("action", flat=True)) == {"swap", "keep"}
    plan = accept(plan, tech)
    job.refresh_from_db()
    assert (job.state, plan.state, plan.hold) == (Job.State.HELD, Plan.State.ACCEPTED, None)
    assert not Hold.objects.exists()


def test_accepting_twice_holds_once(job, workshop, tech):
    plan = workshop.planned(job)
    accept(plan, tech)
    with pytest.raises(WrongState, match="waits for shims that have to be bought"):
        accept(plan, tech)
    assert (Hold.objects.count(), Need.objects.count()) == (1, 1)


def test_a_plan_whose_shims_are_gone_names_the_valve_and_is_out_of_date(job, workshop, tech):
    plan = workshop.planned(job)
    take_away(workshop)
    with pytest.raises(NotEnough, match="plan again") as refusal:
        accept(plan, tech)
    (error,) = refusal.value.errors
    assert error.pointer == "/valves/1-IN"
    assert error.detail == "1-IN: 1 × 2.575 mm used asked from B01, 0 available"
    job.refresh_from_db()
    plan.refresh_from_db()
    # Nothing is half-held, and what was found out about the plan stays.
    assert (job.state, plan.state) == (Job.State.PLANNED, Plan.State.STALE)
    assert "2.575 mm used asked from B01" in plan.stale_because
    assert Hold.objects.filter(job_id=job.pk).count() == 0
    assert not Need.objects.exists()
    with pytest.raises(Conflict, match="out of date") as refusal:
        accept(plan, tech)
    assert refusal.value.code == "plan-stale"
    assert accept(workshop.planned(job), tech).bought == 2


def test_every_valve_whose_shim_is_gone_is_named(workshop, tech, service):
    workshop.stock(("2.575", USED, 1), ("2.775", NEW, 1))
    job = workshop.read(workshop.job(), OUT, SHIMS)
    plan = workshop.planned(job)
    for thickness, condition in (("2.575", USED), ("2.775", NEW)):
        place = workshop.bins[thickness]
        scrap_shims(
            site=workshop.site,
            actor=service,
            at=AT,
            source=place,
            shims=[
                Shims(
                    family=workshop.family,
                    thickness_nm=int(float(thickness) * 1000) * 1000,
                    condition=condition,
                    quantity=1,
                )
            ],
            note="bent",
        )
    with pytest.raises(NotEnough) as refusal:
        accept(plan, tech)
    assert [error.pointer for error in refusal.value.errors] == ["/valves/1-IN", "/valves/2-IN"]
    assert Movement.objects.filter(job_id__isnull=False).count() == 0


def test_an_earlier_plan_cannot_be_accepted(job, workshop, tech):
    first = workshop.planned(job)
    workshop.planned(job)
    with pytest.raises(Conflict, match="A newer plan was made"):
        accept(first, tech)
    assert not Hold.objects.exists()


def test_a_plan_whose_readings_were_corrected_cannot_be_accepted(job, workshop, tech):
    plan = workshop.planned(job)
    workshop.read(job, {"1-IN": "4 thou"})
    with pytest.raises(WrongState, match="its readings are being keyed in"):
        accept(plan, tech)


@pytest.mark.parametrize(
    ("readings", "shims", "says"),
    [
        ({"1-IN": "8 thou", "2-IN": "8 thou"}, {}, "opens nothing.*Sign the job off"),
        ({"2-IN": "8 thou"}, {}, "measure the shims of 1-IN"),
        (
            {"1-IN": "60 thou", "2-IN": "8 thou"},
            {"1-IN": "3.200 mm"},
            "no shim is made that would do for 1-IN",
        ),
    ],
)
def test_a_plan_with_nothing_to_fit_is_not_accepted(workshop, tech, readings, shims, says):
    job = workshop.read(workshop.job(), {**OUT, **readings}, shims)
    with pytest.raises(WrongState, match=says):
        accept(workshop.planned(job), tech)


def test_what_is_to_measure_or_cannot_be_helped_does_not_stop_the_rest(workshop, tech):
    workshop.stock(("2.575", USED, 1))
    job = workshop.read(workshop.job(), OUT, {"1-IN": "2.650 mm"})
    plan = accept(workshop.planned(job), tech)
    assert list(plan.lines.values_list("action", flat=True)) == ["stock", "keep", "measure", "keep"]
    job.refresh_from_db()
    assert job.state == Job.State.HELD


def test_everybody_at_the_site_may_hold_and_nobody_else(job, workshop, clerk, stranger):
    plan = workshop.planned(job)
    with pytest.raises(NotFound):
        accept(plan, stranger)
    assert not Hold.objects.exists()
    assert accept(plan, clerk).hold.created_by == "Tobi Lund"


def test_never_valves_take_no_part(job, workshop, tech):
    set_adjust(job=job, actor=tech, at=AT, adjust={"2-IN": "never"})
    plan = accept(workshop.planned(job), tech)
    job.refresh_from_db()
    assert (job.state, plan.hold.lines.count()) == (Job.State.HELD, 1)
