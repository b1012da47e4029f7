"""A manager takes over a hold, with a reason: the shims are promised to somebody all the while."""

import uuid
from datetime import timedelta

import pytest

from inventory.models import Condition, Hold, HoldTakeOver, Need
from inventory.services.holds import Wanted, hand_out_hold, hold_shims, release_hold
from inventory.services.purchasing import STOCK_ARRIVED, Lack, note_needs
from inventory.services.take_over import take_over_hold
from shop.errors import Forbidden, HoldExpired, Invalid, NotFound, WrongState
from shop.models import Task
from tests.inventory.lots import lots, new

pytestmark = pytest.mark.django_db

NM = 2_625_000


@pytest.fixture
def held(site, tech, at, family, bins, receive):
    """Job 7 holds two lines: 3 × 2.625 for two valves, 1 × 2.650."""
    receive(0, 5)
    receive(1, 1)
    lines = [
        Wanted(
            place=place,
            family_id=family.id,
            thickness_nm=place.size_nm,
            condition=Condition.NEW,
            quantity=quantity,
            label=label,
        )
        for place, quantity, label in ((bins[0], 3, "1-IN"), (bins[1], 1, "2-IN"))
    ]
    return hold_shims(
        site=site, actor=tech, at=at, lines=lines, reference="job 7", job_id=uuid.uuid4(), note="first"
    )


@pytest.fixture
def take(boss, at, held):
    def act(hold=held, actor=boss, **changed):
        fields = {"reference": "job 9", "reason": "leaves today", "at": at} | changed
        return take_over_hold(hold=hold, actor=actor, **fields)

    return act


def content(hold):
    return [
        (line.position, line.thickness_nm, line.quantity, line.label)
        for line in hold.lines.order_by("position")
    ]


def test_the_whole_hold_changes_hands(take, held, bins, at):
    job = uuid.uuid4()
    over = take(job_id=job, expires_in=timedelta(hours=4))
    held.refresh_from_db()
    assert (held.state, held.resolved_by) == (Hold.State.RELEASED, "Mara Quist")
    assert held.note == "Taken over for job 9 by Mara Quist: leaves today"
    assert (over.hold, over.rest, over.reason, over.by) == (held, None, "leaves today", "Mara Quist")
    taken = over.taken
    assert (taken.reference, taken.job_id, taken.created_by) == ("job 9", job, "Mara Quist")
    assert (taken.expires_at, taken.state) == (at + timedelta(hours=4), Hold.State.HELD)
    # The other job's valves are none of this one's.
    assert content(taken) == [(0, NM, 3, ""), (1, 2_650_000, 1, "")]
    assert lots(bins[0]) == new(NM, 5, held=3)
    assert lots(bins[1]) == new(2_650_000, 1, held=1)


def test_some_lines_only(take, held, bins):
    over = take(positions=[1])
    assert content(over.taken) == [(0, 2_650_000, 1, "")]
    assert content(over.rest) == [(0, NM, 3, "1-IN")]
    assert (over.rest.reference, over.rest.job_id) == ("job 7", held.job_id)
    assert (over.rest.created_by, over.rest.expires_at) == ("Ines Varga", held.expires_at)
    assert lots(bins[0]) == new(NM, 5, held=3)


def test_what_was_taken_can_be_given_free(take, boss, at, bins):
    over = take()
    release_hold(hold=over.taken, actor=boss, at=at)
    assert lots(bins[0]) == new(NM, 5)


def test_a_job_that_was_to_buy_them_has_them_now(take, site, at, family):
    job = uuid.uuid4()
    note_needs(
        site=site,
        at=at,
        family=family,
        job_id=job,
        job_label="Job 9",
        needed_by=None,
        lacks=[
            Lack(thickness_nm=NM, valve_label="3-EX"),
            Lack(thickness_nm=NM, valve_label="4-EX"),
            Lack(thickness_nm=2_700_000, valve_label="1-EX"),
        ],
    )
    over = take(job_id=job)
    assert content(over.taken) == [
        (0, NM, 1, "3-EX"),
        (1, NM, 1, "4-EX"),
        (2, NM, 1, ""),
        (3, 2_650_000, 1, ""),
    ]
    states = dict(Need.objects.filter(job_id=job).values_list("valve_label", "state"))
    assert states == {"3-EX": "met", "4-EX": "met", "1-EX": "open"}
    assert Task.objects.get(kind=STOCK_ARRIVED).payload == {"job": str(job)}


def test_nobody_is_woken_who_waits_for_nothing(take):
    take(job_id=uuid.uuid4())
    assert not Task.objects.exists()


@pytest.mark.parametrize(
    ("changed", "pointer"),
    [
        ({"reason": " "}, "/reason"),
        ({"reason": "x" * 401}, "/reason"),
        ({"reference": ""}, "/reference"),
        ({"positions": [2]}, "/positions"),
        ({"positions": []}, "/positions"),
        ({"expires_in": timedelta(0)}, "/expires_in"),
        ({"expires_in": timedelta(days=366)}, "/expires_in"),
    ],
)
def test_bad_input_is_named(changed, pointer, take, held):
    with pytest.raises(Invalid) as refusal:
        take(**changed)
    assert [error.pointer for error in refusal.value.errors] == [pointer]
    held.refresh_from_db()
    assert held.state == Hold.State.HELD


def test_from_itself_nothing_is_taken_over(take, held):
    with pytest.raises(Invalid, match="job 7 holds these shims already"):
        take(job_id=held.job_id)


def test_who_may_take_over(take, clerk, tech, stranger):
    for actor in (clerk, tech):
        with pytest.raises(Forbidden, match="may not take over a hold"):
            take(actor=actor)
    with pytest.raises(NotFound):
        take(actor=stranger)


def test_what_is_handed_out_is_handed_back_first(take, held, tray, tech, at):
    hand_out_hold(hold=held, tray=tray, actor=tech, at=at)
    with pytest.raises(WrongState, match="have them handed back first"):
        take()


def test_an_expired_hold_is_nobody_s(take, at):
    with pytest.raises(HoldExpired):
        take(at=at + timedelta(days=30))


def test_taken_over_twice(take):
    take()
    with pytest.raises(WrongState, match="released already"):
        take()
    assert HoldTakeOver.objects.count() == 1
