import pytest

from inventory.models import Balance, Hold, Need, PlaceKind
from inventory.selectors.places import place_of
from jobs.models import Job, Plan
from jobs.services.fitting import fit_job
from jobs.services.handing_out import hand_out_job
from jobs.services.stopping import stop_job
from shop.errors import Forbidden, Invalid, NotFound, WrongState
from tests.jobs.shop import AT, NEW, USED

OUT = {"1-IN": "5 thou", "1-EX": "12 thou", "2-IN": "5 thou", "2-EX": "12 thou"}
SHIMS = {"1-IN": "2.650 mm", "2-IN": "2.850 mm"}


@pytest.fixture
def read(workshop):
    workshop.stock(("2.575", USED, 1), ("2.775", NEW, 1))
    return workshop.read(workshop.job(), OUT, SHIMS)


def stop(job, actor, note="the customer took it home") -> Job:
    return stop_job(job=job, actor=actor, at=AT, note=note)


def on_hand(workshop) -> list[tuple[int, int]]:
    rows = Balance.objects.filter(place__kind=PlaceKind.BIN).order_by("thickness_nm")
    return list(rows.values_list("on_hand", "held"))


def test_an_open_job_is_stopped_with_its_note(workshop, tech):
    job = stop(workshop.job(), tech)
    assert (job.state, job.closed_at, job.closed_by) == (Job.State.STOPPED, AT, "Ines Varga")
    assert job.events.last().text == "Stopped: the customer took it home"


def test_held_shims_are_free(read, workshop, tech):
    job = workshop.held(read)
    assert on_hand(workshop) == [(1, 1), (1, 1)]
    stop(job, tech)
    assert on_hand(workshop) == [(1, 0), (1, 0)]
    assert Hold.objects.get().state == Hold.State.RELEASED
    assert job.plans.get().state == Plan.State.STALE


def test_handed_out_shims_go_back_to_their_bins(read, workshop, tech):
    job = hand_out_job(job=workshop.held(read), actor=tech, at=AT)
    assert on_hand(workshop) == [(0, 0), (0, 0)]
    stop(job, tech)
    assert on_hand(workshop) == [(1, 0), (1, 0)]
    assert not Balance.objects.filter(place=job.tray).exclude(on_hand=0).exists()


def test_nothing_is_to_buy_for_it_any_more(workshop, tech):
    job = workshop.held(workshop.read(workshop.job(), OUT, SHIMS))
    assert job.state == Job.State.WAITING
    stop(job, tech)
    assert set(Need.objects.values_list("state", flat=True)) == {Need.State.CANCELLED}


def test_what_an_earlier_fit_took_out_goes_to_inspection(read, workshop, tech):
    job = fit_job(job=workshop.held(read), actor=tech, at=AT)
    stop(job, tech)
    rows = Balance.objects.filter(place=place_of(job.site, PlaceKind.INSPECTION), on_hand__gt=0)
    assert sorted(rows.values_list("thickness_nm", flat=True)) == [2_650_000, 2_850_000]


def test_it_takes_a_note(read, tech):
    for note, says in (
        (" ", "say why"),
        ("x" * 401, "400 is the most"),
        ("no\x00time", "a character that is none"),
    ):
        with pytest.raises(Invalid, match=says) as refusal:
            stop(read, tech, note)
        assert [error.pointer for error in refusal.value.errors] == ["/note"]
    read.refresh_from_db()
    assert read.state == Job.State.OPEN


def test_stopping_twice_is_refused_the_second_time(read, tech):
    stop(read, tech)
    with pytest.raises(WrongState, match="it was stopped"):
        stop(read, tech)
    assert read.events.filter(act="stop_job").count() == 1


def test_wrong_people(read, clerk, stranger):
    with pytest.raises(Forbidden):
        stop(read, clerk)
    with pytest.raises(NotFound):
        stop(read, stranger)
