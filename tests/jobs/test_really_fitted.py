"""What went in where it differs from the plan: with a reason, and each physical shim once."""

import pytest

from inventory.compute.lengths import parse_text
from inventory.models import Balance, Hold, HoldLine
from jobs.models import Fit, Job
from jobs.services.fitting import ReallyFitted, fit_job
from jobs.services.handing_out import hand_out_job
from jobs.services.readings import key_shims
from shop.errors import Invalid, NotEnough, Unprocessable
from tests.jobs.shop import AT, NEW, USED, shim

OUT = {"1-IN": "5 thou", "1-EX": "12 thou", "2-IN": "5 thou", "2-EX": "12 thou"}
SHIMS = {"1-IN": "2.650 mm", "2-IN": "2.850 mm", "2-EX": "2.700 mm"}


@pytest.fixture
def held(workshop):
    """1-IN gets a used 2.575 mm from B01, 2-IN a new 2.775 mm from B02; B03 has a new 2.600 mm to spare."""
    workshop.stock(("2.575", USED, 1), ("2.775", NEW, 3), ("2.600", NEW, 1))
    return workshop.held(workshop.read(workshop.job(), OUT, SHIMS))


def really(thickness, condition, source, reason="the planned one was scored") -> ReallyFitted:
    return ReallyFitted(thickness=parse_text(thickness), condition=condition, source=source, reason=reason)


def fit(job, actor, **by_valve) -> Job:
    by_label = {"-".join(reversed(name.split("_"))): said for name, said in by_valve.items()}
    return fit_job(job=job, actor=actor, at=AT, really=by_label)


def content(place) -> dict[tuple[int, str], int]:
    rows = Balance.objects.filter(place=place).exclude(on_hand=0)
    return {(row.thickness_nm, row.condition): row.on_hand for row in rows}


def test_another_shim_from_a_bin_leaves_the_planned_one_free_in_the_tray(held, workshop, tech):
    job = fit(held, tech, IN_1=really("2.600 mm", "new", "bin:B03"))
    record = Fit.objects.get(valve__label="1-IN")
    assert (record.planned_nm, record.fitted_nm, record.fitted_from) == (2_575_000, 2_600_000, "bin:B03")
    assert (record.differs, record.reason) == (True, "the planned one was scored")
    assert record.predicted_nm == 127_000 + 50_000
    assert content(job.tray)[(2_575_000, "used")] == 1
    assert content(workshop.bins["2.600"]) == {}
    assert not Balance.objects.exclude(held=0).exists()
    assert list(HoldLine.objects.order_by("label").values_list("label", "fitted")) == [
        ("1-IN", 0),
        ("2-IN", 1),
    ]
    valve = job.valves.get(label="1-IN")
    assert (valve.shim_nm, valve.shim_keyed, valve.shim_known_by) == (2_600_000, "2.600 mm", "marked")
    said = "Fitted 1-IN, 2-IN. Not as planned: 1-IN. Not used, in tray T01: 1 × 2.575 mm."
    assert job.events.last().text == said


def test_two_planned_shims_fitted_in_each_others_place(held, tech):
    job = fit(
        hand_out_job(job=held, actor=tech, at=AT),
        tech,
        IN_1=really("2.775 mm", "new", "tray", "mixed up, will be seen when measured again"),
        IN_2=really("2.575 mm", "used", "tray", "mixed up, will be seen when measured again"),
    )
    assert list(Fit.objects.order_by("valve__order").values_list("fitted_nm", "fitted_from")) == [
        (2_775_000, "bin:B02"),
        (2_575_000, "bin:B01"),
    ]
    assert Hold.objects.get().state == Hold.State.FITTED
    assert set(HoldLine.objects.values_list("fitted", flat=True)) == {1}
    assert content(job.tray) == {(2_650_000, "used"): 1, (2_850_000, "used"): 1}


def test_the_own_shim_put_back(held, tech):
    job = fit(held, tech, IN_1=really("2.650 mm", "used", "valve:1-IN", "reads 8 now, a chip was under it"))
    record = Fit.objects.get(valve__label="1-IN")
    assert (record.fitted_nm, record.removed_nm, record.predicted_nm) == (2_650_000, 2_650_000, 127_000)
    assert content(job.tray) == {(2_575_000, "used"): 1, (2_850_000, "used"): 1}


def test_a_shim_out_of_another_opened_valve(held, tech):
    fit(held, tech, IN_1=really("2.850 mm", "used", "valve:2-IN"))
    assert Fit.objects.get(valve__label="1-IN").fitted_from == "valve:2-IN"
    valve = held.valves.get(label="1-IN")
    assert (valve.shim_nm, valve.shim_known_by) == (2_850_000, "measured")


def test_a_shim_just_pulled_may_be_said_to_come_from_the_tray(held, tech):
    fit(held, tech, IN_1=really("2.850 mm", "used", "tray"))
    assert Fit.objects.get(valve__label="1-IN").fitted_from == "valve:2-IN"


def test_a_valve_opened_beyond_the_plan(held, tech):
    fit(held, tech, EX_2=really("2.600 mm", "new", "bin:B03", "customer asked for it"))
    record = Fit.objects.get(valve__label="2-EX")
    assert (record.planned_nm, record.removed_nm, record.differs) == (None, 2_700_000, True)
    assert Fit.objects.count() == 3


def test_a_shim_left_in_the_tray_by_an_earlier_fit_may_be_used_in_the_next(held, workshop, tech):
    job = fit(held, tech, IN_1=really("2.600 mm", "new", "bin:B03"))
    workshop.stock(("2.525", USED, 1))
    job = workshop.held(workshop.read(job, {"1-IN": "5 thou", "2-IN": "8 thou"}))
    job = fit(job, tech, IN_1=really("2.575 mm", "used", "tray", "is clean after all"))
    assert Fit.objects.get(round=2).fitted_from == "tray"
    assert job.valves.get(label="1-IN").shim_known_by == "measured"
    assert (2_575_000, "used") not in content(job.tray)


def test_a_marked_shim_swapped_back_need_not_be_called_unmeasured(held, workshop, tech):
    job = workshop.read(workshop.job(), {**OUT, "2-IN": "8 thou"})
    key_shims(job=job, actor=tech, at=AT, shims={"1-IN": shim("2.650 mm", "marked")})
    job = workshop.held(job)
    fit(job, tech, IN_1=really("2.650 mm", "used", "valve:1-IN", "left in"))
    assert Fit.objects.get().fitted_condition == "unmeasured"


@pytest.mark.parametrize(
    ("said", "pointer", "says"),
    [
        ({"IN_9": really("2.600 mm", "new", "bin:B03")}, "/really/9-IN", "no such valve"),
        ({"IN_1": really("2.600 mm", "new", "bin:B03", " ")}, "/really/1-IN/reason", "say why"),
        ({"IN_1": really("2.600 mm", "new", "bin:B03", "x" * 401)}, "/really/1-IN/reason", "400 is the most"),
        (
            {"IN_1": really("2.600 mm", "good", "bin:B03")},
            "/really/1-IN/condition",
            "new, used or unmeasured",
        ),
        ({"IN_1": really("260 mm", "new", "bin:B03")}, "/really/1-IN/thickness", "2.600 mm"),
        ({"IN_1": really("2.600 mm", "new", "pocket")}, "/really/1-IN/source", "it comes from"),
        ({"IN_1": really("2.600 mm", "new", "bin:")}, "/really/1-IN/source", "it comes from"),
        ({"IN_1": really("2.600 mm", "new", "bin:B\x00")}, "/really/1-IN/source", "no such bin here"),
        ({"IN_1": really("2.600 mm", "new", "bin:B99")}, "/really/1-IN/source", "no bin B99"),
        ({"IN_1": really("2.600 mm", "new", "tray")}, "/really/1-IN/source", "no 2.600 mm new shim to spare"),
        ({"IN_1": really("2.700 mm", "used", "valve:2-EX")}, "/really/1-IN/source", "2-EX keeps its shim"),
        (
            {"IN_1": really("2.700 mm", "used", "valve:2-IN")},
            "/really/1-IN/source",
            "is 2.850 mm, not 2.700 mm",
        ),
        (
            {
                "IN_1": really("2.850 mm", "used", "valve:2-IN"),
                "IN_2": really("2.850 mm", "used", "valve:2-IN"),
            },
            "/really/2-IN/source",
            "the shim of 2-IN went to 1-IN already",
        ),
        (
            # The used 2.575 mm is planned for 1-IN, so 2-IN cannot have it as well.
            {"IN_2": really("2.575 mm", "used", "tray")},
            "/really/2-IN/source",
            "no 2.575 mm used shim to spare",
        ),
    ],
)
def test_what_cannot_be_is_named_and_nothing_is_booked(held, tech, said, pointer, says):
    with pytest.raises(Invalid, match="Nothing was fitted") as refusal:
        fit(held, tech, **said)
    (error,) = refusal.value.errors
    assert error.pointer == pointer
    assert says in error.detail
    held.refresh_from_db()
    assert (held.state, Fit.objects.count()) == (Job.State.HELD, 0)


def test_a_bin_without_such_a_shim_to_spare_is_refused_by_the_books(held, tech):
    with pytest.raises(NotEnough, match=r"1 × 2\.625 mm new asked from B03, 0 available") as refusal:
        fit(held, tech, IN_1=really("2.625 mm", "new", "bin:B03"))
    assert [error.pointer for error in refusal.value.errors] == ["/really/1-IN"]
    held.refresh_from_db()
    assert (held.state, Fit.objects.count()) == (Job.State.HELD, 0)


def test_a_shim_that_is_held_for_another_job_is_not_to_spare(held, workshop, tech):
    other = workshop.read(workshop.job(), {**OUT, "2-IN": "8 thou"}, {"1-IN": "2.675 mm"})
    assert workshop.held(other).plans.get().lines.get(label="1-IN").from_place.code == "B03"
    with pytest.raises(NotEnough, match="asked from B03, 0 available"):
        fit(held, tech, IN_1=really("2.600 mm", "new", "bin:B03"))


def test_what_came_out_of_an_opened_valve_must_be_known(held, tech):
    with pytest.raises(Unprocessable, match="not known what came out of 1-EX") as refusal:
        fit(held, tech, EX_1=really("2.600 mm", "new", "bin:B03"))
    assert [error.pointer for error in refusal.value.errors] == ["/really/1-EX"]


def test_a_valve_whose_shim_goes_elsewhere_is_not_left_empty(workshop, tech):
    # No shim is made for 1-IN; its own is what 2-IN wants.
    clearances = {**OUT, "1-IN": "60 thou", "2-IN": "5 thou"}
    job = workshop.read(workshop.job(), clearances, {"1-IN": "2.575 mm", "2-IN": "2.650 mm"})
    job.valves.filter(label="1-IN").update(min_nm=10_000, max_nm=20_000, aim_nm=15_000)
    job = workshop.held(job)
    assert list(job.plans.get().lines.values_list("action", "from_valve")) == [
        ("unresolved", ""),
        ("keep", ""),
        ("swap", "1-IN"),
        ("keep", ""),
    ]
    with pytest.raises(Unprocessable, match="1-IN would be left without a shim") as refusal:
        fit(job, tech)
    assert [error.pointer for error in refusal.value.errors] == ["/really/1-IN"]
    job = fit(job, tech, IN_1=really("2.650 mm", "used", "valve:2-IN", "for the way to the test bench"))
    assert list(Fit.objects.order_by("valve__order").values_list("fitted_nm", flat=True)) == [
        2_650_000,
        2_575_000,
    ]
