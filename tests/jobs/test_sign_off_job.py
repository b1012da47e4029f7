import pytest

from inventory.models import Balance, Hold, Movement, PlaceKind, Reason
from inventory.selectors.places import place_of
from inventory.services.holds import Wanted, hold_shims
from jobs.models import Job, Plan
from jobs.services.fitting import ReallyFitted, fit_job
from jobs.services.readings import key_shims, set_adjust
from jobs.services.sign_off import sign_off_job
from shop.errors import Conflict, Forbidden, Invalid, NotFound, WrongState
from tests.jobs.shop import AT, HOUR, NEW, USED, mm, shim

GOOD = {"1-IN": "8 thou", "1-EX": "12 thou", "2-IN": "8 thou", "2-EX": "12 thou"}
OUT = {**GOOD, "1-IN": "5 thou", "2-IN": "5 thou"}


@pytest.fixture
def fitted(workshop, tech):
    """1-IN measured, 2-IN marked; both got another shim."""
    workshop.stock(("2.575", USED, 1), ("2.775", NEW, 2))
    job = workshop.read(workshop.job(), OUT, {"1-IN": "2.643 mm"})
    key_shims(job=job, actor=tech, at=AT, shims={"2-IN": shim("2.850 mm", "marked")})
    return fit_job(job=workshop.held(job), actor=tech, at=AT)


def sign(job, actor, reason="") -> Job:
    return sign_off_job(job=job, actor=actor, at=AT + HOUR, reason=reason)


def content(site, kind) -> dict[tuple[int, str], int]:
    rows = Balance.objects.filter(place=place_of(site, kind)).exclude(on_hand=0)
    return {(row.thickness_nm, row.condition): row.on_hand for row in rows}


def test_removed_shims_go_to_inspection_with_what_is_known_of_them(fitted, workshop, tech):
    job = sign(workshop.read(fitted, {"1-IN": "8 thou", "2-IN": "8 thou"}), tech)
    assert (job.state, job.closed_at, job.closed_by) == (Job.State.SIGNED_OFF, AT + HOUR, "Ines Varga")
    assert content(job.site, PlaceKind.INSPECTION) == {(2_643_000, "used"): 1, (2_850_000, "unmeasured"): 1}
    assert not Balance.objects.filter(place=job.tray).exclude(on_hand=0).exists()
    recovered = Movement.objects.get(reason=Reason.RECOVER)
    assert (recovered.job_id, recovered.document) == (job.pk, "Job 1")


def test_a_new_shim_that_was_not_used_goes_to_receiving(workshop, tech):
    workshop.stock(("2.575", NEW, 1))
    job = workshop.held(workshop.read(workshop.job(), {**OUT, "2-IN": "8 thou"}, {"1-IN": "2.650 mm"}))
    back = ReallyFitted(thickness=mm("2.650"), condition="used", source="valve:1-IN", reason="a chip")
    job = fit_job(job=job, actor=tech, at=AT, really={"1-IN": back})
    sign(workshop.read(job, {"1-IN": "5 thou"}), tech, "the new shim had a chip, a better one is on its way")
    assert content(job.site, PlaceKind.RECEIVING) == {(2_575_000, "new"): 1}
    assert content(job.site, PlaceKind.INSPECTION) == {}


def test_bay_and_tray_are_free(fitted, workshop, tech):
    job = sign(workshop.read(fitted, {"1-IN": "8 thou", "2-IN": "8 thou"}), tech)
    assert not Job.objects.filter(bay=job.bay).exclude(pk=job.pk).exists()
    assert workshop.job().tray == job.tray


def test_every_opened_valve_must_have_been_measured_again(fitted, workshop, tech):
    job = workshop.read(fitted, {"2-IN": "8 thou"})
    for reason in ("", "no time"):
        with pytest.raises(Conflict, match="Not measured again since the fit: 1-IN") as refusal:
            sign(job, tech, reason)
        assert refusal.value.code == "readings-missing"
        assert [error.pointer for error in refusal.value.errors] == ["/readings/1-IN"]


def test_a_valve_out_of_spec_wants_a_reason(fitted, workshop, tech):
    job = workshop.read(fitted, {"1-IN": "5 thou", "2-IN": "11 thou"})
    with pytest.raises(Conflict, match=r"1-IN \(out of spec\), 2-IN \(out of spec\)") as refusal:
        sign(job, tech)
    assert refusal.value.code == "out-of-spec"
    job = sign(job, tech, " the engine goes to the machine shop ")
    assert job.sign_off_reason == "the engine goes to the machine shop"
    said = "Signed off over a difference at 1-IN, 2-IN. the engine goes to the machine shop"
    assert job.events.last().text == said


def test_at_the_limit_is_in_spec(fitted, workshop, tech):
    job = workshop.read(fitted, {"1-IN": "10 thou", "2-IN": "6 thou"})
    assert sign(job, tech, "the seats were lapped").state == Job.State.SIGNED_OFF


def test_a_valve_that_did_not_come_out_as_predicted_wants_a_reason(fitted, workshop, tech):
    # 5 thou and a shim thinner by 0.068 mm, 2.7 thou, came to 7 or 8; both valves are in spec.
    job = workshop.read(fitted, {"1-IN": "10 thou", "2-IN": "8 thou"})
    with pytest.raises(Conflict, match="Not as predicted: 1-IN") as refusal:
        sign(job, tech)
    assert refusal.value.code == "unexplained-difference"
    assert [error.pointer for error in refusal.value.errors] == ["/readings/1-IN"]
    job.refresh_from_db()
    assert job.state == Job.State.FITTED
    job = sign(job, tech, "the leaf was bent, read again with a new one")
    said = "Signed off over a difference at 1-IN. the leaf was bent, read again with a new one"
    last = job.events.last()
    assert (last.text, last.by) == (said, "Ines Varga")


def test_a_shim_put_into_the_wrong_valve_is_named_at_sign_off(workshop, tech):
    workshop.stock(("2.575", USED, 1), ("2.775", NEW, 1))
    job = workshop.read(workshop.job(), OUT, {"1-IN": "2.643 mm", "2-IN": "2.850 mm"})
    job = fit_job(job=workshop.held(job), actor=tech, at=AT)
    # 2.575 and 2.775 mm in each other's valves: 0.2 mm tighter and as much looser.
    job = workshop.read(job, {"1-IN": "0 thou", "2-IN": "16 thou"})
    with pytest.raises(Conflict, match="the shims of 1-IN and 2-IN are in each other's places"):
        sign(job, tech)


def test_a_valve_that_was_not_opened_counts_by_its_first_reading(workshop, tech):
    workshop.stock(("2.575", USED, 1))
    job = workshop.read(workshop.job(), {**OUT, "2-EX": "15 thou"}, {"1-IN": "2.650 mm"})
    job = fit_job(job=workshop.held(job), actor=tech, at=AT)
    job = workshop.read(job, {"1-IN": "8 thou"})
    with pytest.raises(Conflict, match=r"2-IN \(out of spec\), 2-EX \(out of spec\)"):
        sign(job, tech)


def test_a_valve_never_opened_and_not_read_wants_a_reason(workshop, tech):
    workshop.stock(("2.575", USED, 1))
    job = workshop.read(
        workshop.job(), {"1-IN": "5 thou", "2-IN": "8 thou", "1-EX": "12 thou"}, {"1-IN": "2.650 mm"}
    )
    set_adjust(job=job, actor=tech, at=AT, adjust={"2-EX": "never"})
    job = fit_job(job=workshop.held(job), actor=tech, at=AT)
    job = workshop.read(job, {"1-IN": "8 thou"})
    with pytest.raises(Conflict, match=r"2-EX \(not read\)"):
        sign(job, tech)
    assert sign(job, tech, "2-EX is behind the frame").state == Job.State.SIGNED_OFF


def test_a_check_with_nothing_to_change_is_signed_off_without_a_plan(workshop, tech):
    job = sign(workshop.read(workshop.job(), GOOD), tech)
    assert job.state == Job.State.SIGNED_OFF
    assert not Movement.objects.filter(job_id=job.pk).exists()


def test_a_check_is_signed_off_from_its_plan_too(workshop, tech):
    job = workshop.read(workshop.job(), GOOD)
    plan = workshop.planned(job)
    sign(job, tech)
    plan.refresh_from_db()
    assert (plan.opened, plan.state) == (0, Plan.State.STALE)


@pytest.mark.parametrize(
    ("readings", "adjust", "named"),
    [
        ({**GOOD, "1-IN": "5 thou"}, {}, "1-IN is not read, out of spec or marked always"),
        ({"1-IN": "8 thou", "1-EX": "12 thou"}, {}, "2-IN, 2-EX are not read"),
        (GOOD, {"1-EX": "always"}, "1-EX is not read"),
    ],
)
def test_a_check_with_something_to_do_is_no_check(workshop, tech, readings, adjust, named):
    job = workshop.read(workshop.job(), readings)
    if adjust:
        set_adjust(job=job, actor=tech, at=AT, adjust=adjust)
    with pytest.raises(WrongState, match=named):
        sign(job, tech, "a reason does not help")
    job.refresh_from_db()
    assert job.state == Job.State.OPEN


def test_after_a_fit_it_may_be_signed_off_from_a_plan_that_is_not_followed(fitted, workshop, tech):
    job = workshop.read(fitted, {"1-IN": "5 thou", "2-IN": "8 thou"})
    workshop.planned(job)
    with pytest.raises(Conflict, match="out of spec"):
        sign(job, tech)
    assert sign(job, tech, "customer takes it as it is").state == Job.State.SIGNED_OFF


def test_a_hold_beside_the_plan_is_given_free(fitted, workshop, tech):
    stray = hold_shims(
        site=fitted.site,
        actor=tech,
        at=AT,
        lines=[
            Wanted(
                place=workshop.bins["2.775"],
                family_id=workshop.family.pk,
                thickness_nm=2_775_000,
                condition=NEW,
                quantity=1,
            )
        ],
        reference="Job 1",
        job_id=fitted.pk,
    )
    sign(workshop.read(fitted, {"1-IN": "8 thou", "2-IN": "8 thou"}), tech)
    stray.refresh_from_db()
    assert stray.state == Hold.State.RELEASED


def test_signing_off_twice_is_refused_the_second_time(fitted, workshop, tech):
    job = sign(workshop.read(fitted, {"1-IN": "8 thou", "2-IN": "8 thou"}), tech)
    with pytest.raises(WrongState, match="it is signed off"):
        sign(job, tech)
    assert Movement.objects.filter(reason=Reason.RECOVER).count() == 1


def test_a_reason_that_is_too_long_is_named(fitted, tech):
    with pytest.raises(Invalid) as refusal:
        sign(fitted, tech, "x" * 401)
    assert [error.pointer for error in refusal.value.errors] == ["/reason"]


def test_wrong_people(fitted, workshop, clerk, stranger):
    job = workshop.read(fitted, {"1-IN": "8 thou", "2-IN": "8 thou"})
    with pytest.raises(Forbidden):
        sign(job, clerk)
    with pytest.raises(NotFound):
        sign(job, stranger)
    job.refresh_from_db()
    assert job.state == Job.State.FITTED
