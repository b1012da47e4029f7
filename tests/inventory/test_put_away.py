"""Put away: from receiving into bins."""

from dataclasses import replace

import pytest

from inventory.services.floor import put_away, receive_shims
from shop.errors import Forbidden, Invalid, NotEnough, NotFound, WrongState
from tests.inventory.books import contents, count, in_bin, lines_of, refused

pytestmark = pytest.mark.django_db


@pytest.fixture
def received(site, clerk, at, bins):
    shims = [replace(in_bin(bins[0], 5), place=None), replace(in_bin(bins[1], 2), place=None)]
    receive_shims(site=site, actor=clerk, at=at, shims=shims)


@pytest.fixture
def book(site, clerk, at, received):
    def act(*shims, actor=clerk, **more):
        return put_away(site=site, actor=actor, at=at, shims=shims, **more)

    return act


def test_the_lines(book, bins, places):
    movement = book(in_bin(bins[0], 3), in_bin(bins[1], 2), note="Monday")
    assert lines_of(movement) == [
        ("receiving", "2.625", "new", -3),
        ("A1", "2.625", "new", 3),
        ("receiving", "2.650", "new", -2),
        ("A2", "2.650", "new", 2),
    ]
    assert movement.reason == "put_away"
    assert contents(places["receiving"]) == {("2.625", "new"): (2, 0)}
    assert (count(bins[0]), count(bins[1])) == ((3, 0), (2, 0))


def test_more_than_was_received(book, bins):
    error = refused(
        NotEnough,
        lambda: book(in_bin(bins[1], 2), in_bin(bins[0], 6)),
        {"/lines/1": "6 × 2.625 mm new asked from receiving, 5 available"},
    )
    assert error.message == ("Not enough shims: 6 × 2.625 mm new asked from receiving, 5 available.")


def test_two_lines_of_one_size_are_counted_together(book, bins):
    """Each is there alone, both are not; both are named."""
    words = "6 × 2.625 mm new asked from receiving, 5 available"
    shims = [in_bin(bins[0], 3), replace(in_bin(bins[0], 3), place=bins[2])]
    refused(NotEnough, lambda: book(*shims), {"/lines/0": words, "/lines/1": words})


def test_the_same_put_away_again_finds_nothing(book, bins):
    book(in_bin(bins[0], 5))
    refused(NotEnough, lambda: book(in_bin(bins[0], 5)), {"/lines/0": "0 available"})


def test_a_bin_must_be_named(book, bins):
    refused(
        Invalid,
        lambda: book(replace(in_bin(bins[0]), place=None)),
        {"/lines/0/bin": "name the bin that the shims go to"},
    )


def test_a_bin_retired_while_the_page_was_open(book, bins, at):
    """The page's copy of the bin is older than its retiring; the books look again under a lock."""
    shims = in_bin(bins[0])
    type(bins[0]).objects.filter(pk=bins[0].pk).update(retired_at=at)
    refused(
        WrongState,
        lambda: book(in_bin(bins[1]), shims),
        {"/lines/1": "A1 is no longer in use"},
        says="Choose another place",
    )


def test_who(book, bins, boss, tech, stranger):
    book(in_bin(bins[0]), actor=boss)
    refused(Forbidden, lambda: book(in_bin(bins[0]), actor=tech))
    refused(NotFound, lambda: book(in_bin(bins[0]), actor=stranger))
