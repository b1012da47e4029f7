import pytest

from jobs.models import Job, JobValve, Plan, ShimReading
from jobs.services.readings import key_shims
from shop.errors import Forbidden, Invalid, NotFound, WrongState
from tests.jobs.shop import AT, USED, shim

OUT = {"1-IN": "5 thou", "1-EX": "12 thou", "2-IN": "8 thou", "2-EX": "12 thou"}


@pytest.fixture
def job(workshop):
    return workshop.job()


def key(job, actor, shims) -> Job:
    return key_shims(job=job, actor=actor, at=AT, shims=shims)


def known(job, label) -> tuple:
    valve = job.valves.get(label=label)
    return valve.shim_nm, valve.shim_keyed, valve.shim_known_by


def test_a_shim_is_known_from_then_on_as_it_was_keyed(job, tech):
    key(job, tech, {"1-IN": shim("0.1043 in"), "2-EX": shim("2.650 mm", "marked")})
    assert known(job, "1-IN") == (2_649_220, "0.1043 in", "measured")
    assert known(job, "2-EX") == (2_650_000, "2.650 mm", "marked")
    row = ShimReading.objects.get(valve__label="2-EX")
    assert (row.sequence, row.thickness_keyed, row.known_by, row.by) == (
        1,
        "2.650 mm",
        "marked",
        "Ines Varga",
    )
    assert job.events.last().text == "2 shims: 1-IN 0.1043 in measured, 2-EX 2.650 mm marked."


def test_how_the_ledger_will_count_it_follows_from_how_it_is_known(job, tech):
    key(job, tech, {"1-IN": shim("2.651 mm"), "2-EX": shim("2.650 mm", "marked")})
    assert job.valves.get(label="1-IN").shim_condition == "used"
    assert job.valves.get(label="2-EX").shim_condition == "unmeasured"


def test_a_correction_is_a_new_row_and_the_old_value_stays(job, tech):
    key(job, tech, {"1-IN": shim("2.650 mm", "marked")})
    key(job, tech, {"1-IN": shim("2.643 mm")})
    rows = ShimReading.objects.filter(valve__label="1-IN").order_by("sequence")
    assert list(rows.values_list("sequence", "thickness_nm", "known_by")) == [
        (1, 2_650_000, "marked"),
        (2, 2_643_000, "measured"),
    ]
    assert known(job, "1-IN") == (2_643_000, "2.643 mm", "measured")


def test_the_same_again_changes_nothing(job, tech):
    key(job, tech, {"1-IN": shim("2.650 mm")})
    before = Job.objects.get().version
    key(job, tech, {"1-IN": shim("2.650 mm")})
    assert (ShimReading.objects.count(), Job.objects.get().version) == (1, before)


def test_a_shim_keyed_on_a_planned_job_puts_the_plan_aside(job, workshop, tech):
    plan = workshop.planned(workshop.read(job, OUT))
    assert plan.lines.get(label="1-IN").action == "measure"
    assert key(job, tech, {"1-IN": shim("2.650 mm")}).state == Job.State.OPEN
    plan.refresh_from_db()
    assert plan.state == Plan.State.STALE


def test_a_measured_shim_may_lie_a_tenth_outside_its_family(job, tech):
    key(job, tech, {"1-IN": shim("1.900 mm"), "1-EX": shim("3.300 mm")})
    assert JobValve.objects.filter(shim_nm__isnull=False).count() == 2


@pytest.mark.parametrize(
    ("shims", "pointers", "says"),
    [
        ({}, ["/shims"], "at least one"),
        ({"3-IN": shim("2.650 mm")}, ["/shims/3-IN"], "no such valve"),
        ({"1-IN": shim("275 mm")}, ["/shims/1-IN/thickness"], "2.750 mm"),
        ({"1-IN": shim("2.75 thou")}, ["/shims/1-IN/thickness"], "2.75 mm"),
        ({"1-IN": shim("1.899999 mm")}, ["/shims/1-IN/thickness"], "outside its family"),
        ({"1-IN": shim("3.300001 mm")}, ["/shims/1-IN/thickness"], "outside its family"),
        ({"1-IN": shim("2.651 mm", "marked")}, ["/shims/1-IN/thickness"], "nearest made size is 2.650 mm"),
        ({"1-IN": shim("2.650 mm", "guessed")}, ["/shims/1-IN/known_by"], "measured or marked"),
        (
            {"1-IN": shim("9 mm"), "2-IN": shim("2.660 mm", "marked"), "0": shim("2.650 mm")},
            ["/shims/0", "/shims/1-IN/thickness", "/shims/2-IN/thickness"],
            "No shim was taken",
        ),
    ],
)
def test_every_wrong_value_is_named_at_once_and_nothing_is_taken(job, tech, shims, pointers, says):
    shims = {"1-EX": shim("2.700 mm"), **shims} if shims else shims
    with pytest.raises(Invalid, match=says) as refusal:
        key(job, tech, shims)
    assert [error.pointer for error in refusal.value.errors] == pointers
    assert not ShimReading.objects.exists()
    assert not JobValve.objects.filter(shim_nm__isnull=False).exists()


def test_while_the_shims_are_held_the_plan_must_be_released_first(job, workshop, tech):
    workshop.stock(("2.575", USED, 1))
    held = workshop.held(workshop.read(job, OUT, {"1-IN": "2.650 mm"}))
    with pytest.raises(WrongState, match="Release the plan first"):
        key(held, tech, {"1-IN": shim("2.640 mm")})
    assert known(job, "1-IN")[0] == 2_650_000


def test_wrong_people(job, clerk, stranger):
    with pytest.raises(Forbidden):
        key(job, clerk, {"1-IN": shim("2.650 mm")})
    with pytest.raises(NotFound):
        key(job, stranger, {"1-IN": shim("2.650 mm")})
    assert not ShimReading.objects.exists()
