"""The opening count of a drawer: shims that no movement explains."""

from dataclasses import replace

import pytest

from inventory.services.floor import count_in
from shop.errors import Forbidden, Invalid, NotFound
from tests.inventory.books import contents, count, in_bin, lines_of, refused

pytestmark = pytest.mark.django_db


@pytest.fixture
def book(site, clerk, at):
    def act(*shims, actor=clerk, note="opening count"):
        return count_in(site=site, actor=actor, at=at, shims=shims, note=note)

    return act


def test_the_lines(book, bins, places):
    movement = book(in_bin(bins[0], 7), in_bin(bins[0], 1, thickness_nm=2_618_000, condition="used"))
    assert lines_of(movement) == [
        ("difference", "2.625", "new", -7),
        ("A1", "2.625", "new", 7),
        ("difference", "2.618", "used", -1),
        ("A1", "2.618", "used", 1),
    ]
    assert movement.reason == "count"
    assert count(bins[0]) == (7, 0)
    assert contents(places["difference"]) == {("2.625", "new"): (-7, 0), ("2.618", "used"): (-1, 0)}


def test_bad_input(book, bins):
    refused(Invalid, lambda: book(in_bin(bins[0], 0)), {"/lines/0/quantity": "must be 1"})
    refused(Invalid, lambda: book(replace(in_bin(bins[0]), place=None)), {"/lines/0/bin": "name the bin"})
    refused(Invalid, book, {"/lines": "name 1 to 250"})


def test_who(book, bins, tech, stranger, boss):
    refused(Forbidden, lambda: book(in_bin(bins[0]), actor=tech))
    refused(NotFound, lambda: book(in_bin(bins[0]), actor=stranger))
    book(in_bin(bins[0]), actor=boss)
