import pytest

from inventory.models import Balance, Hold, Need, Reason
from jobs.models import Job, Plan
from jobs.services.handing_out import hand_out_job
from jobs.services.planning import accept_plan, release_plan
from shop.errors import NotFound, WrongState
from tests.jobs.shop import AT, USED

OUT = {"1-IN": "5 thou", "1-EX": "12 thou", "2-IN": "5 thou", "2-EX": "12 thou"}


@pytest.fixture
def held(workshop):
    workshop.stock(("2.575", USED, 1))
    return workshop.held(workshop.read(workshop.job(), {**OUT, "2-IN": "8 thou"}, {"1-IN": "2.650 mm"}))


def balance(workshop) -> tuple[int, int]:
    row = Balance.objects.get(place=workshop.bins["2.575"])
    return row.on_hand, row.held


def test_the_shims_are_free_and_the_plan_is_a_proposal_again(held, workshop, tech):
    job = release_plan(job=held, actor=tech, at=AT, note="valve cover stays on today")
    plan = job.plans.get()
    assert (job.state, plan.state, plan.hold) == (Job.State.PLANNED, Plan.State.PROPOSED, None)
    assert balance(workshop) == (1, 0)
    assert Hold.objects.get().state == Hold.State.RELEASED
    assert job.events.last().text.endswith("free for others. valve cover stays on today")


def test_it_may_be_held_again(held, workshop, tech):
    job = release_plan(job=held, actor=tech, at=AT)
    accept_plan(plan=job.plans.get(), actor=tech, at=AT)
    assert balance(workshop) == (1, 1)


def test_handed_out_shims_go_back_to_their_bins(held, workshop, tech, clerk):
    job = hand_out_job(job=held, actor=clerk, at=AT)
    assert balance(workshop) == (0, 0)
    job = release_plan(job=job, actor=tech, at=AT)
    assert balance(workshop) == (1, 0)
    assert job.state == Job.State.PLANNED
    assert Reason.HAND_BACK in set(workshop.site.movements.values_list("reason", flat=True))


def test_needs_are_no_longer_to_buy(workshop, tech):
    job = workshop.held(workshop.read(workshop.job(), OUT, {"1-IN": "2.650 mm", "2-IN": "2.850 mm"}))
    assert job.state == Job.State.WAITING
    release_plan(job=job, actor=tech, at=AT)
    assert set(Need.objects.values_list("state", flat=True)) == {Need.State.CANCELLED}


def test_releasing_twice_is_refused_the_second_time(held, tech):
    release_plan(job=held, actor=tech, at=AT)
    with pytest.raises(WrongState, match="nothing is held yet"):
        release_plan(job=held, actor=tech, at=AT)


def test_readings_can_be_corrected_after_it(held, workshop, tech):
    release_plan(job=held, actor=tech, at=AT)
    assert workshop.read(held, {"1-IN": "6 thou"}).state == Job.State.OPEN


def test_somebody_of_another_site_finds_nothing(held, workshop, stranger):
    with pytest.raises(NotFound):
        release_plan(job=held, actor=stranger, at=AT)
    assert balance(workshop) == (1, 1)
