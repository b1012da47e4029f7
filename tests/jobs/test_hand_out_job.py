import pytest

from inventory.models import Balance, Hold, Reason
from jobs.models import Job
from jobs.services.handing_out import hand_out_job
from shop.errors import HoldExpired, NotFound, WrongState
from tests.jobs.shop import AT, HOUR, NEW, USED

OUT = {"1-IN": "5 thou", "1-EX": "12 thou", "2-IN": "5 thou", "2-EX": "12 thou"}


@pytest.fixture
def held(workshop):
    workshop.stock(("2.575", USED, 1), ("2.775", NEW, 3))
    shims = {"1-IN": "2.650 mm", "2-IN": "2.850 mm"}
    return workshop.held(workshop.read(workshop.job(), OUT, shims))


def test_shims_and_promise_move_to_the_tray_and_no_longer_expire(held, workshop, clerk):
    job = hand_out_job(job=held, actor=clerk, at=AT)
    assert job.state == Job.State.OUT
    tray = Balance.objects.filter(place=job.tray).order_by("thickness_nm")
    assert [(row.thickness_nm, row.on_hand, row.held) for row in tray] == [
        (2_575_000, 1, 1),
        (2_775_000, 1, 1),
    ]
    hold = Hold.objects.get()
    assert (hold.state, hold.expires_at, hold.handed_out_at) == (Hold.State.HELD, None, AT)
    movement = workshop.site.movements.get(reason=Reason.HAND_OUT)
    assert (movement.job_id, movement.document, movement.actor) == (job.pk, "Job 1", "Tobi Lund")
    assert job.events.last().text == "2 shims handed out to tray T01."


def test_handing_out_twice_moves_once(held, clerk):
    hand_out_job(job=held, actor=clerk, at=AT)
    with pytest.raises(WrongState, match="its shims are handed out"):
        hand_out_job(job=held, actor=clerk, at=AT)
    assert held.site.movements.filter(reason=Reason.HAND_OUT).count() == 1


def test_a_plan_of_swaps_alone_has_nothing_to_hand_out(workshop, tech):
    shims = {"1-IN": "2.650 mm", "2-IN": "2.575 mm"}
    job = workshop.held(workshop.read(workshop.job(), {**OUT, "2-IN": "11 thou"}, shims))
    with pytest.raises(WrongState, match="takes nothing from stock"):
        hand_out_job(job=job, actor=tech, at=AT)


def test_an_expired_hold_is_not_handed_out(held, clerk):
    with pytest.raises(HoldExpired, match="Plan again"):
        hand_out_job(job=held, actor=clerk, at=AT + 48 * HOUR)
    assert not held.site.movements.filter(reason=Reason.HAND_OUT).exists()


def test_one_second_before_the_time_is_over_it_is(held, clerk):
    job = hand_out_job(job=held, actor=clerk, at=AT + 48 * HOUR - HOUR / 3600)
    assert job.state == Job.State.OUT


def test_somebody_of_another_site_finds_nothing(held, stranger):
    with pytest.raises(NotFound):
        hand_out_job(job=held, actor=stranger, at=AT)
