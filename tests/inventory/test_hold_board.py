"""The board of who holds what."""

import uuid
from datetime import timedelta

import pytest

from inventory.models import Condition, Hold
from inventory.selectors.holds import hold_board, holds, lines_on
from inventory.services.holds import Wanted, hand_out_hold, hold_shims, release_hold
from inventory.services.ledger import ShimKey

pytestmark = pytest.mark.django_db

NM = 2_625_000
JOB = uuid.UUID("01900000-0000-7000-8000-000000000007")


@pytest.fixture
def hold(site, tech, clerk, at, family, bins, receive):
    def act(reference, hours, *, actor=tech, quantity=1, job_id=None):
        wanted = Wanted(
            place=bins[0], family_id=family.id, thickness_nm=NM, condition=Condition.NEW, quantity=quantity
        )
        return hold_shims(
            site=site,
            actor=actor,
            at=at,
            lines=[wanted],
            reference=reference,
            job_id=job_id,
            expires_in=timedelta(hours=hours),
        )

    receive(0, 9)
    return act


def test_what_runs_out_first_stands_on_top(hold, site, tech, tray, at):
    hold("job 7", 8, quantity=2)
    hold("job 8", 2)
    hand_out_hold(hold=hold("job 9", 1), tray=tray, actor=tech, at=at)
    board = hold_board(site, at=at + timedelta(hours=3))
    told = [
        (entry.hold.reference, entry.quantity, entry.overdue, entry.handed_out, entry.lines[0].place.code)
        for entry in board
    ]
    assert told == [
        ("job 8", 1, True, False, "A1"),
        ("job 7", 2, False, False, "A1"),
        ("job 9", 1, False, True, "T1"),
    ]


def test_overdue_begins_when_the_time_is_over(hold, site, at):
    hold("job 7", 2)
    second = timedelta(seconds=1)
    assert not hold_board(site, at=at + timedelta(hours=2) - second)[0].overdue
    assert hold_board(site, at=at + timedelta(hours=2))[0].overdue


def test_holds_are_found(hold, site, other_site, tech, clerk, at, bins):
    first = hold("job 7", 8, job_id=JOB)
    second = hold("order 12", 8, actor=clerk)
    release_hold(hold=second, actor=clerk, at=at)
    assert list(holds(site)) == [second, first]
    assert list(holds(site, state=Hold.State.HELD)) == [first]
    assert list(holds(site, job_id=JOB)) == [first]
    assert list(holds(site, reference="ORDER")) == [second]
    assert list(holds(site, created_by="varga")) == [first]
    assert list(holds(site, place=bins[0])) == [second, first]
    assert list(holds(site, place=bins[1])) == []
    assert list(holds(other_site)) == []


def test_the_promises_on_one_lot(hold, family, bins, tech, at):
    first = hold("job 7", 8)
    release_hold(hold=hold("job 8", 8), actor=tech, at=at)
    key = ShimKey(family.id, bins[0].id, NM, Condition.NEW)
    assert [line.hold for line in lines_on(key)] == [first]
    assert lines_on(key._replace(thickness_nm=NM + 1)) == []


def test_as_many_queries_however_many_holds(hold, site, at, django_assert_num_queries):
    for number in range(5):
        hold(f"job {number}", number + 1)
    with django_assert_num_queries(5):
        assert len(hold_board(site, at=at)) == 5
