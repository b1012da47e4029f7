"""Move shims from one bin to another."""

from dataclasses import replace
from datetime import timedelta

import pytest

from inventory.services.floor import move_shims
from inventory.services.holds import Wanted, hold_shims
from shop.errors import Forbidden, Invalid, NotEnough, NotFound
from tests.inventory.books import count, in_bin, lines_of, refused

pytestmark = pytest.mark.django_db


@pytest.fixture
def book(site, clerk, at, bins, receive):
    receive(0, 5)

    def act(*shims, actor=clerk, source=bins[0], at=at, **more):
        return move_shims(site=site, actor=actor, at=at, source=source, shims=shims, **more)

    return act


@pytest.fixture
def to_second(bins):
    def shims(quantity=1):
        return replace(in_bin(bins[0], quantity), place=bins[1])

    return shims


def test_the_lines(book, bins, to_second):
    movement = book(to_second(3), note="drawer full")
    assert lines_of(movement) == [("A1", "2.625", "new", -3), ("A2", "2.625", "new", 3)]
    assert movement.reason == "move"
    assert count(bins[0]) == (2, 0)
    assert count(bins[1], bins[0].size_nm) == (3, 0)


def test_to_where_they_are(book, bins):
    refused(
        Invalid,
        lambda: book(in_bin(bins[0], 1)),
        {"/lines/0/bin": "must be another bin"},
        says="The shims are in A1 already",
    )


def test_more_than_there_are(book, to_second):
    refused(
        NotEnough, lambda: book(to_second(6)), {"/lines/0": "6 × 2.625 mm new asked from A1, 5 available"}
    )


def held(bins, site, tech, at, quantity):
    line = Wanted(
        place=bins[0],
        family_id=bins[0].family_id,
        thickness_nm=bins[0].size_nm,
        condition="new",
        quantity=quantity,
    )
    return hold_shims(site=site, actor=tech, at=at, lines=[line], reference="Job 4")


def test_held_shims_stay(book, bins, site, tech, at, to_second):
    held(bins, site, tech, at, 4)
    refused(
        NotEnough, lambda: book(to_second(2)), {"/lines/0": "2 × 2.625 mm new asked from A1, 1 available"}
    )
    book(to_second(1))
    assert count(bins[0]) == (4, 4)


def test_what_an_overdue_hold_promises_may_move_although_nobody_swept_it(
    book, bins, site, tech, at, to_second
):
    """L7: expiry is a rule, not a job."""
    hold = held(bins, site, tech, at, 5)
    before = hold.expires_at - timedelta(seconds=1)
    refused(NotEnough, lambda: book(to_second(2), at=before))
    book(to_second(2), at=hold.expires_at)
    assert count(bins[0]) == (3, 0)
    hold.refresh_from_db()
    assert (hold.state, hold.resolved_by) == ("expired", "Coldgap")


def test_an_overdue_hold_of_other_shims_is_swept_on_the_way(book, bins, receive, site, tech, at, to_second):
    receive(2, 2)
    line = Wanted(
        place=bins[2], family_id=bins[2].family_id, thickness_nm=bins[2].size_nm, condition="new", quantity=2
    )
    hold = hold_shims(site=site, actor=tech, at=at, lines=[line], reference="Job 5")
    book(to_second(1), at=hold.expires_at)
    assert count(bins[2]) == (2, 0)


def test_only_from_a_bin_of_this_site(book, places, to_second, tray):
    for source in (places["receiving"], tray, places["supplier"]):
        refused(
            Invalid,
            lambda source=source: book(to_second(), source=source),
            {"/source": "is no bin in use at North Yard"},
        )


def test_who(book, boss, tech, stranger, to_second):
    book(to_second(), actor=boss)
    refused(Forbidden, lambda: book(to_second(), actor=tech), says="may not move shims between bins")
    refused(NotFound, lambda: book(to_second(), actor=stranger))


def test_a_repeated_call_moves_again_until_they_are_gone(book, bins, to_second):
    book(to_second(3))
    refused(NotEnough, lambda: book(to_second(3)), {"/lines/0": "2 available"})
    assert count(bins[0]) == (2, 0)
