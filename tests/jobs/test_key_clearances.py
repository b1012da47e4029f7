import pytest

from jobs.models import ClearanceReading, Job, Plan
from jobs.services.fitting import fit_job
from jobs.services.readings import key_clearances
from shop.errors import Forbidden, Invalid, NotFound, StaleVersion, WrongState
from tests.jobs.shop import AT, HOUR, USED, feel

GOOD = {"1-IN": "8 thou", "1-EX": "12 thou", "2-IN": "8 thou", "2-EX": "12 thou"}


@pytest.fixture
def job(workshop):
    return workshop.job()


def key(job, actor, at=AT, **readings) -> Job:
    """Labels as keyword arguments cannot have hyphens: IN_1 stands for 1-IN."""
    by_label = {"-".join(reversed(name.split("_"))): reading for name, reading in readings.items()}
    return key_clearances(job=job, actor=actor, at=at, readings=by_label)


def rows(job, label) -> list[tuple]:
    return list(
        ClearanceReading.objects.filter(valve__job=job, valve__label=label)
        .order_by("sequence")
        .values_list("sequence", "round", "passes_keyed", "stops_keyed", "stops_given")
    )


def test_readings_are_kept_as_they_were_keyed_in_either_unit(job, tech):
    key(job, tech, IN_1=feel("7 thou"), EX_1=feel("0.30 mm", "0.32 mm"), IN_2=feel("0.008 in"))
    assert rows(job, "1-IN") == [(1, 0, "7 thou", "8 thou", False)]
    assert rows(job, "1-EX") == [(1, 0, "0.30 mm", "0.32 mm", True)]
    assert rows(job, "2-IN") == [(1, 0, "0.008 in", "0.009 in", False)]
    reading = ClearanceReading.objects.get(valve__label="1-IN")
    assert (reading.passes_nm, reading.stops_nm) == (177_800, 203_200)
    assert (reading.at, reading.by) == (AT, "Ines Varga")
    job.refresh_from_db()
    assert job.version == 2
    assert job.events.last().text == "3 clearances: 1-IN 7 thou, 1-EX 0.30 mm, 2-IN 0.008 in."


def test_no_clearance_is_a_reading(job, tech):
    key(job, tech, IN_1=feel("0 thou"))
    assert rows(job, "1-IN") == [(1, 0, "0 thou", "1 thou", False)]


def test_a_correction_is_a_new_row_and_the_old_value_stays(job, tech):
    key(job, tech, IN_1=feel("7 thou"))
    key(job, tech, at=AT + HOUR, IN_1=feel("8 thou"))
    assert rows(job, "1-IN") == [(1, 0, "7 thou", "8 thou", False), (2, 0, "8 thou", "9 thou", False)]


def test_keying_the_same_again_changes_nothing(job, tech):
    key(job, tech, IN_1=feel("7 thou"))
    job.refresh_from_db()
    version, events = job.version, job.events.count()
    key(job, tech, at=AT + HOUR, IN_1=feel("7 thou"))
    job.refresh_from_db()
    assert len(rows(job, "1-IN")) == 1
    assert (job.version, job.events.count()) == (version, events)


def test_of_a_whole_grid_only_what_changed_is_written(job, tech):
    key(job, tech, IN_1=feel("7 thou"), EX_1=feel("11 thou"))
    key(job, tech, IN_1=feel("7 thou"), EX_1=feel("12 thou"))
    assert (len(rows(job, "1-IN")), len(rows(job, "1-EX"))) == (1, 2)


def test_a_reading_of_a_planned_job_puts_the_plan_aside(job, workshop, tech):
    plan = workshop.planned(workshop.read(job, GOOD))
    changed = key(job, tech, IN_1=feel("7 thou"))
    plan.refresh_from_db()
    assert changed.state == Job.State.OPEN
    assert (plan.state, "1-IN 7 thou" in plan.stale_because) == (Plan.State.STALE, True)


def test_the_same_reading_again_leaves_the_plan_standing(job, workshop, tech):
    plan = workshop.planned(workshop.read(job, GOOD))
    assert workshop.read(job, GOOD).state == Job.State.PLANNED
    plan.refresh_from_db()
    assert plan.state == Plan.State.PROPOSED


def test_after_a_fit_the_same_figure_is_a_reading_of_its_own(job, workshop, tech):
    workshop.stock(("2.575", USED, 1))
    workshop.read(job, {**GOOD, "1-IN": "5 thou"}, {"1-IN": "2.650 mm"})
    fitted = fit_job(job=workshop.held(job), actor=tech, at=AT)
    fitted = key(fitted, tech, IN_1=feel("5 thou"), IN_2=feel("8 thou"))
    assert fitted.state == Job.State.FITTED
    assert rows(job, "1-IN")[1:] == [(2, 1, "5 thou", "6 thou", False)]
    assert rows(job, "2-IN")[1:] == [(2, 1, "8 thou", "9 thou", False)]


def test_while_the_shims_are_held_the_plan_must_be_released_first(job, workshop, tech):
    workshop.stock(("2.575", USED, 1))
    held = workshop.held(workshop.read(job, {**GOOD, "1-IN": "5 thou"}, {"1-IN": "2.650 mm"}))
    with pytest.raises(WrongState, match=r"shims are held.*Release the plan first"):
        key(held, tech, IN_1=feel("6 thou"))
    assert len(rows(job, "1-IN")) == 1


def test_a_stale_version_is_refused(job, tech):
    key(job, tech, IN_1=feel("7 thou"))
    with pytest.raises(StaleVersion, match="since you opened it") as refusal:
        key_clearances(job=job, actor=tech, at=AT, readings={"2-IN": feel("7 thou")}, version=1)
    assert refusal.value.extra == {"version": 2}
    assert not rows(job, "2-IN")


def test_wrong_people(job, clerk, stranger):
    with pytest.raises(Forbidden):
        key(job, clerk, IN_1=feel("7 thou"))
    with pytest.raises(NotFound):
        key(job, stranger, IN_1=feel("7 thou"))
    assert not ClearanceReading.objects.exists()


@pytest.mark.parametrize(
    ("readings", "pointers", "says"),
    [
        ({}, ["/readings"], "at least one"),
        ({"3-IN": feel("7 thou")}, ["/readings/3-IN"], "3-IN: the engine has no such valve, it has 1-IN"),
        ({"a/b~c": feel("7 thou")}, ["/readings/a~1b~0c"], "a/b~c: the engine has no such valve"),
        ({"1-IN": feel("8 mm")}, ["/readings/1-IN/passes"], "8 thou .* probably meant"),
        ({"1-IN": feel("-1 thou")}, ["/readings/1-IN/passes"], "key in 0"),
        ({"1-IN": feel("7 thou", "9 mm")}, ["/readings/1-IN/stops"], "9 thou"),
        ({"1-IN": feel("7 thou", "7 thou")}, ["/readings/1-IN/stops"], "not thicker than"),
        ({"1-IN": feel("7 thou", "0.1 mm")}, ["/readings/1-IN/stops"], "not thicker than"),
        (
            {"1-IN": feel("8 mm", "9 mm"), "2-IN": feel("7 thou", "6 thou"), "9-IN": feel("1 thou")},
            ["/readings/9-IN", "/readings/1-IN/passes", "/readings/1-IN/stops", "/readings/2-IN/stops"],
            "No reading was taken",
        ),
    ],
)
def test_every_wrong_value_is_named_at_once_and_nothing_is_taken(job, tech, readings, pointers, says):
    readings = {"1-EX": feel("12 thou"), **readings} if readings else readings
    with pytest.raises(Invalid, match=says) as refusal:
        key_clearances(job=job, actor=tech, at=AT, readings=readings)
    assert [error.pointer for error in refusal.value.errors] == pointers
    assert not ClearanceReading.objects.exists()
    job.refresh_from_db()
    assert job.version == 1


def test_a_thousand_valves_are_refused_in_a_page_of_words(job, tech):
    readings = {f"{number}-XX": feel("7 thou") for number in range(1000)}
    with pytest.raises(Invalid, match="and 950 more") as refusal:
        key_clearances(job=job, actor=tech, at=AT, readings=readings)
    assert len(refusal.value.errors) == 50
