import pytest

from inventory.models import Balance, Hold, Movement, PlaceKind, Reason
from inventory.selectors.places import place_of
from jobs.models import Fit, Job, Plan
from jobs.services.fitting import fit_job
from jobs.services.handing_out import hand_out_job
from jobs.services.readings import key_shims
from shop.errors import Forbidden, HoldExpired, NotFound, WrongState
from tests.jobs.shop import AT, HOUR, NEW, USED, make_engine, shim

OUT = {"1-IN": "5 thou", "1-EX": "12 thou", "2-IN": "5 thou", "2-EX": "12 thou"}
SHIMS = {"1-IN": "2.650 mm", "2-IN": "2.850 mm"}


@pytest.fixture
def held(workshop):
    """1-IN gets a used 2.575 mm, 2-IN a new 2.775 mm."""
    workshop.stock(("2.575", USED, 1), ("2.775", NEW, 3))
    return workshop.held(workshop.read(workshop.job(), OUT, SHIMS))


def content(place) -> dict[tuple[int, str], int]:
    rows = Balance.objects.filter(place=place).exclude(on_hand=0)
    return {(row.thickness_nm, row.condition): row.on_hand for row in rows}


def engines(job) -> dict[tuple[int, str], int]:
    return content(place_of(job.site, PlaceKind.ENGINE))


def test_what_came_out_is_in_the_tray_and_what_went_in_is_in_the_engine(held, tech):
    job = fit_job(job=hand_out_job(job=held, actor=tech, at=AT), actor=tech, at=AT)
    assert (job.state, job.round) == (Job.State.FITTED, 1)
    assert content(job.tray) == {(2_650_000, "used"): 1, (2_850_000, "used"): 1}
    assert engines(job) == {
        (2_650_000, "used"): -1,
        (2_850_000, "used"): -1,
        (2_575_000, "used"): 1,
        (2_775_000, "new"): 1,
    }
    assert Hold.objects.get().state == Hold.State.FITTED
    assert set(Hold.objects.get().lines.values_list("fitted", flat=True)) == {1}
    assert job.plans.get().state == Plan.State.DONE
    assert not Balance.objects.exclude(held=0).exists()
    assert job.events.last().text == "Fitted 1-IN, 2-IN."


def test_each_fit_records_plan_and_truth(held, tech):
    job = fit_job(job=held, actor=tech, at=AT)
    first, second = Fit.objects.order_by("valve__order")
    assert (first.valve.label, first.round, first.planned_nm, first.fitted_nm) == (
        "1-IN",
        1,
        2_575_000,
        2_575_000,
    )
    assert (first.fitted_condition, first.fitted_from) == ("used", "bin:B01")
    assert (first.removed_nm, first.removed_condition) == (2_650_000, "used")
    assert (first.predicted_nm, first.differs, first.reason) == (127_000 + 75_000, False, "")
    assert (first.plan, first.at, first.by) == (job.plans.get(), AT, "Ines Varga")
    assert first.movement.reason == Reason.FIT
    assert (second.fitted_condition, second.fitted_from) == ("new", "bin:B02")


def test_what_was_fitted_is_the_valves_shim_from_then_on(held, tech):
    job = fit_job(job=held, actor=tech, at=AT)
    valves = {valve.label: valve for valve in job.valves.all()}
    used, new = valves["1-IN"], valves["2-IN"]
    assert (used.shim_nm, used.shim_known_by, used.fit_round) == (2_575_000, "measured", 1)
    assert (new.shim_nm, new.shim_known_by, new.fit_round) == (2_775_000, "marked", 1)
    assert (valves["1-EX"].shim_nm, valves["1-EX"].fit_round) == (None, 0)


def test_from_held_the_shims_are_handed_out_first(held, tech):
    fit_job(job=held, actor=tech, at=AT)
    reasons = Movement.objects.filter(job_id=held.pk).order_by("seq").values_list("reason", flat=True)
    assert list(reasons) == [Reason.HAND_OUT, Reason.PULL, Reason.FIT]


def test_both_ways_end_in_the_same_books(workshop, tech):
    workshop.stock(("2.575", USED, 2), ("2.775", NEW, 2))
    jobs = [workshop.held(workshop.read(workshop.job(), OUT, SHIMS)) for _ in range(2)]
    handed_out = hand_out_job(job=jobs[0], actor=tech, at=AT)
    lines = []
    for job in (handed_out, jobs[1]):
        job = fit_job(job=job, actor=tech, at=AT)
        kinds = Movement.objects.filter(job_id=job.pk).order_by("seq", "lines__position")
        lines.append(
            list(kinds.values_list("reason", "lines__place__kind", "lines__thickness_nm", "lines__quantity"))
        )
    assert lines[0] == lines[1]


def test_an_own_shim_that_was_only_marked_counts_as_not_measured(workshop, tech):
    workshop.stock(("2.575", USED, 1))
    job = workshop.read(workshop.job(), {**OUT, "2-IN": "8 thou"})
    key_shims(job=job, actor=tech, at=AT, shims={"1-IN": shim("2.650 mm", "marked")})
    job = fit_job(job=workshop.held(job), actor=tech, at=AT)
    assert content(job.tray) == {(2_650_000, "unmeasured"): 1}


def test_swapped_shims_stay_in_the_engine_and_keep_how_they_are_known(workshop, tech):
    job = workshop.read(workshop.job(), {**OUT, "2-IN": "11 thou"}, {"1-IN": "2.650 mm"})
    key_shims(job=job, actor=tech, at=AT, shims={"2-IN": shim("2.575 mm", "marked")})
    job = fit_job(job=workshop.held(job), actor=tech, at=AT)
    assert engines(job) == {}
    assert content(job.tray) == {}
    valves = {valve.label: valve for valve in job.valves.all()}
    assert (valves["1-IN"].shim_nm, valves["1-IN"].shim_known_by) == (2_575_000, "marked")
    assert (valves["2-IN"].shim_nm, valves["2-IN"].shim_known_by) == (2_650_000, "measured")
    assert list(Fit.objects.order_by("valve__order").values_list("fitted_from", flat=True)) == [
        "valve:2-IN",
        "valve:1-IN",
    ]


def test_what_has_no_shim_in_the_plan_is_left_and_said_so(workshop, tech):
    workshop.stock(("2.575", USED, 1))
    job = workshop.read(workshop.job(), {**OUT, "2-EX": "60 thou"}, {"1-IN": "2.650 mm", "2-EX": "3.200 mm"})
    job = fit_job(job=workshop.held(job), actor=tech, at=AT)
    assert job.events.last().text == (
        "Fitted 1-IN. Not fitted (no shim would do): 2-EX. Not fitted (measure the shim first): 2-IN."
    )
    assert Fit.objects.count() == 1


def test_the_lash_ratio_counts_in_what_is_predicted(workshop, tech):
    engine = make_engine(workshop.family, "rocker-4", lash_ratio="1.5")
    workshop.stock(("2.600", USED, 1))
    job = workshop.job(workshop.vehicle("N 9", engine))
    job = workshop.held(workshop.read(job, {**OUT, "2-IN": "8 thou"}, {"1-IN": "2.650 mm"}))
    fit_job(job=job, actor=tech, at=AT)
    assert Fit.objects.get().predicted_nm == 127_000 + 75_000


def test_fitting_twice_books_once(held, tech):
    fit_job(job=held, actor=tech, at=AT)
    before = Movement.objects.count()
    with pytest.raises(WrongState, match="its shims are fitted"):
        fit_job(job=held, actor=tech, at=AT)
    assert Movement.objects.count() == before


def test_an_expired_hold_is_not_fitted_and_nothing_is_written(held, tech):
    before = Movement.objects.count()
    with pytest.raises(HoldExpired, match=r"no longer held for Job 1: 2.575 mm for 1-IN.*Plan again"):
        fit_job(job=held, actor=tech, at=AT + 48 * HOUR)
    assert (Movement.objects.count(), Fit.objects.count()) == (before, 0)


def test_handed_out_shims_may_be_fitted_days_later(held, tech):
    job = hand_out_job(job=held, actor=tech, at=AT)
    assert fit_job(job=job, actor=tech, at=AT + 24 * 9 * HOUR).state == Job.State.FITTED


def test_wrong_people(held, clerk, stranger):
    with pytest.raises(Forbidden, match="technician"):
        fit_job(job=held, actor=clerk, at=AT)
    with pytest.raises(NotFound):
        fit_job(job=held, actor=stranger, at=AT)
    assert not Fit.objects.exists()


def test_a_second_fit_uses_the_readings_after_the_first(held, workshop, tech):
    job = fit_job(job=held, actor=tech, at=AT)
    workshop.stock(("2.525", USED, 1))
    job = workshop.read(job, {"1-IN": "5 thou", "2-IN": "8 thou"})
    job = fit_job(job=workshop.held(job), actor=tech, at=AT)
    again = Fit.objects.get(round=2)
    assert (again.valve.label, again.removed_nm, again.fitted_nm) == ("1-IN", 2_575_000, 2_525_000)
    assert again.predicted_nm == 127_000 + 50_000
    assert (job.round, job.valves.get(label="2-IN").fit_round) == (2, 1)
