"""Receive a delivery: from the supplier into bins, or into receiving."""

from dataclasses import replace

import pytest

from inventory.models import Movement, Reason
from inventory.services.catalogue import add_bin
from inventory.services.floor import receive_shims
from shop.errors import Forbidden, Invalid, NotFound
from tests.inventory.books import contents, count, in_bin, lines_of, refused

pytestmark = pytest.mark.django_db


@pytest.fixture
def book(site, clerk, at):
    def act(*shims, actor=clerk, **more):
        return receive_shims(site=site, actor=actor, at=at, shims=shims, **more)

    return act


def test_the_lines_of_a_delivery(book, bins, clerk, counter, site, at):
    movement = book(in_bin(bins[0], 5), in_bin(bins[1], 2), document="delivery 7", note="two packs")
    assert lines_of(movement) == [
        ("supplier", "2.625", "new", -5),
        ("A1", "2.625", "new", 5),
        ("supplier", "2.650", "new", -2),
        ("A2", "2.650", "new", 2),
    ]
    assert count(bins[0]) == (5, 0)
    assert (movement.reason, movement.document, movement.note) == (Reason.RECEIVE, "delivery 7", "two packs")
    assert (movement.actor, movement.user, movement.at) == (clerk.label, counter, at)
    assert (movement.site, movement.request_id, movement.reverses) == (site, "req-clerk", None)


def test_without_a_bin_they_go_to_receiving(book, bins, family, places):
    book(in_bin(bins[0], 3), in_bin(bins[0], 1), in_bin(bins[1], 4, family=family))
    movement = book(replace(in_bin(bins[2], 2), place=None))
    assert lines_of(movement) == [("supplier", "2.675", "new", -2), ("receiving", "2.675", "new", 2)]
    assert contents(places["receiving"]) == {("2.675", "new"): (2, 0)}


def test_used_shims_may_be_received_at_their_measured_thickness(book, bins):
    movement = book(in_bin(bins[0], 1, thickness_nm=2_631_400, condition="used"))
    assert lines_of(movement)[1] == ("A1", "2.6314", "used", 1)


def test_a_second_delivery_is_another(book, bins):
    """Two deliveries may be equal, so a repeated call books twice; an entrance keeps a double tap away."""
    book(in_bin(bins[0], 5), document="delivery 7")
    book(in_bin(bins[0], 5), document="delivery 7")
    assert count(bins[0]) == (10, 0)


@pytest.mark.parametrize("who", ["clerk", "boss"])
def test_counter_and_manager_receive(who, book, bins, request):
    book(in_bin(bins[0]), actor=request.getfixturevalue(who))
    assert count(bins[0]) == (1, 0)


def test_a_technician_does_not(book, bins, tech):
    refused(Forbidden, lambda: book(in_bin(bins[0]), actor=tech), says="may not receive shims")


def test_for_another_sites_people_there_is_no_such_site(book, bins, stranger):
    refused(NotFound, lambda: book(in_bin(bins[0]), actor=stranger))


@pytest.mark.parametrize("quantity", [0, -2, 100_001, 10**30])
def test_a_quantity_out_of_bounds(quantity, book, bins):
    error = refused(
        Invalid,
        lambda: book(in_bin(bins[1]), in_bin(bins[0], quantity)),
        {"/lines/1/quantity": "must be 1 to 100,000"},
    )
    assert error.message == "Nothing was booked: line 2, quantity: must be 1 to 100,000."


def test_the_largest_quantity(book, bins):
    book(in_bin(bins[0], 100_000))
    assert count(bins[0]) == (100_000, 0)


def test_a_new_shim_has_a_size_of_its_family(book, bins):
    shims = in_bin(bins[0], thickness_nm=2_630_000)
    refused(Invalid, lambda: book(shims), {"/lines/0/thickness": "2.63 mm is not a size of its family"})


def test_a_used_shim_lies_near_its_family(book, bins):
    shims = in_bin(bins[0], thickness_nm=4_000_000, condition="used")
    refused(Invalid, lambda: book(shims), {"/lines/0/thickness": "more than 0.1 mm outside its family"})


def test_a_condition_that_there_is_not(book, bins):
    shims = in_bin(bins[0], condition="shiny")
    refused(Invalid, lambda: book(shims), {"/lines/0/condition": "must be one of new, used, unmeasured"})


def test_a_bin_of_another_site(book, bins, other_site, service, family, at):
    there = add_bin(
        site=other_site,
        actor=service,
        at=at,
        code="Z9",
        cabinet="Z",
        row=1,
        column=1,
        family=family,
        size_nm=2_650_000,
    )
    refused(Invalid, lambda: book(in_bin(there)), {"/lines/0/bin": "Z9 is no bin in use at North Yard"})


def test_a_tray_is_no_bin(book, bins, tray, family):
    shims = in_bin(tray, family=family, thickness_nm=2_650_000)
    refused(Invalid, lambda: book(shims), {"/lines/0/bin": "T1 is no bin"})


def test_a_bin_that_is_no_longer_in_use(book, bins, at):
    bins[0].retired_at = at
    bins[0].save()
    refused(Invalid, lambda: book(in_bin(bins[0])), {"/lines/0/bin": "A1 is no bin in use at North Yard"})


def test_several_wrong_lines_are_all_named(book, bins):
    error = refused(
        Invalid,
        lambda: book(in_bin(bins[0], 0), in_bin(bins[1], thickness_nm=275 * 10**6)),
        {"/lines/0/quantity": "must be 1", "/lines/1/thickness": "275"},
    )
    assert "line 1, quantity: must be 1 to 100,000; line 2, thickness: " in error.message


def test_an_empty_delivery(book):
    refused(Invalid, lambda: book(), {"/lines": "name 1 to 250 kinds of shim"})


def test_as_many_lines_as_a_movement_has_and_one_more(book, bins):
    error = refused(Invalid, lambda: book(*[in_bin(bins[0])] * 251), {"/lines": "these are 251"})
    assert "1 to 250" in error.message
    book(*[in_bin(bins[0])] * 250)
    assert Movement.objects.get().lines.count() == 500
    assert count(bins[0]) == (250, 0)


@pytest.mark.parametrize(("field", "most"), [("document", 80), ("note", 400)])
def test_words_that_are_too_long(field, most, book, bins):
    book(in_bin(bins[0]), **{field: "x" * most})
    refused(
        Invalid,
        lambda: book(in_bin(bins[0]), **{field: "x" * (most + 1)}),
        {f"/{field}": f"has {most + 1} characters; {most} is the most"},
    )


@pytest.mark.parametrize("text", ["nul \x00", "half a pair \ud800"])
def test_characters_that_no_database_keeps(text, book, bins):
    refused(Invalid, lambda: book(in_bin(bins[0]), note=text), {"/note": "a character that is none"})
