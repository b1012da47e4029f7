import pytest

from jobs.models import Job, JobValve, Plan
from jobs.services.readings import set_adjust
from shop.errors import Forbidden, Invalid, NotFound
from tests.jobs.shop import AT

GOOD = {"1-IN": "8 thou", "1-EX": "12 thou", "2-IN": "8 thou", "2-EX": "12 thou"}


@pytest.fixture
def job(workshop):
    return workshop.job()


def choose(job, actor, adjust) -> Job:
    return set_adjust(job=job, actor=actor, at=AT, adjust=adjust)


def test_valves_are_adjusted_if_it_helps_until_somebody_says_otherwise(job, tech):
    assert set(job.valves.values_list("adjust", flat=True)) == {"auto"}
    choose(job, tech, {"1-IN": "always", "2-EX": "never"})
    assert list(job.valves.values_list("adjust", flat=True)) == ["always", "auto", "auto", "never"]
    assert job.events.last().text == "2 choices: 1-IN always, 2-EX never."


def test_the_same_again_changes_nothing(job, tech):
    choose(job, tech, {"1-IN": "auto"})
    job.refresh_from_db()
    assert (job.version, job.events.count()) == (1, 1)


def test_a_choice_puts_a_plan_aside(job, workshop, tech):
    plan = workshop.planned(workshop.read(job, GOOD))
    assert choose(job, tech, {"1-IN": "always"}).state == Job.State.OPEN
    plan.refresh_from_db()
    assert plan.state == Plan.State.STALE


@pytest.mark.parametrize(
    ("adjust", "pointers"),
    [
        ({}, ["/adjust"]),
        ({"9-IN": "always"}, ["/adjust/9-IN"]),
        ({"1-IN": "maybe", "9-IN": "never"}, ["/adjust/9-IN", "/adjust/1-IN"]),
    ],
)
def test_every_wrong_value_is_named_at_once(job, tech, adjust, pointers):
    with pytest.raises(Invalid, match="Nothing was changed") as refusal:
        choose(job, tech, {"2-IN": "never", **adjust} if adjust else adjust)
    assert [error.pointer for error in refusal.value.errors] == pointers
    assert set(JobValve.objects.values_list("adjust", flat=True)) == {"auto"}


def test_wrong_people(job, clerk, stranger):
    with pytest.raises(Forbidden):
        choose(job, clerk, {"1-IN": "never"})
    with pytest.raises(NotFound):
        choose(job, stranger, {"1-IN": "never"})
