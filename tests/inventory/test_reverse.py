"""Reverse a movement: its mirror image, once, while its shims are still there to be taken back."""

from dataclasses import replace

import pytest

from inventory.models import Balance, Movement, Place
from inventory.services.fitting import Fitted, OneShim, fit_shims
from inventory.services.floor import put_away, receive_shims, reverse_movement
from inventory.services.holds import Wanted, hand_back_hold, hand_out_hold, hold_shims, release_hold
from shop.errors import Conflict, Forbidden, Invalid, NotEnough, NotFound, WrongState
from shop.ids import new_id
from tests.inventory.books import contents, count, in_bin, lines_of, refused

pytestmark = pytest.mark.django_db


@pytest.fixture
def reverse(boss, at):
    def act(movement, actor=boss, note="keyed in twice", at=at):
        return reverse_movement(movement=movement, actor=actor, at=at, note=note)

    return act


@pytest.fixture
def hold(site, tech, at, bins, receive):
    receive(0, 3)
    line = Wanted(
        place=bins[0], family_id=bins[0].family_id, thickness_nm=bins[0].size_nm, condition="new", quantity=3
    )
    return hold_shims(site=site, actor=tech, at=at, lines=[line], reference="Job 4", job_id=new_id())


def test_the_mirror_image(reverse, receive, bins):
    first = receive(0, 5)
    second = reverse(first)
    assert lines_of(first) == [("supplier", "2.625", "new", -5), ("A1", "2.625", "new", 5)]
    assert lines_of(second) == [("supplier", "2.625", "new", 5), ("A1", "2.625", "new", -5)]
    assert (second.reason, second.reverses, second.note) == ("reverse", first, "keyed in twice")
    assert (second.document, second.actor) == ("delivery 7", "Mara Quist")
    assert count(bins[0]) == (0, 0)


def test_a_movement_is_reversed_once(reverse, receive):
    first = receive(0, 5)
    second = reverse(first)
    receive(0, 5)
    error = refused(Conflict, lambda: reverse(first), says=f"reversed already, by movement {second.seq}")
    assert (error.code, error.extra) == ("already-reversed", {"reversed_by": str(second.uid)})


def test_it_says_so_even_when_the_shims_are_gone_with_the_first_reversal(reverse, receive):
    first = receive(0, 5)
    reverse(first)
    assert refused(Conflict, lambda: reverse(first)).code == "already-reversed"


def test_a_reversal_may_be_reversed_once_too(reverse, receive, bins):
    second = reverse(receive(0, 5))
    third = reverse(second)
    assert third.reverses == second
    assert count(bins[0]) == (5, 0)
    assert refused(Conflict, lambda: reverse(second)).code == "already-reversed"


def test_shims_that_have_moved_on_cannot_be_taken_back(reverse, receive, bins, site, clerk, at):
    first = receive(0, 5)
    loose = replace(in_bin(bins[0], 2), place=None)
    from_receiving = receive_shims(site=site, actor=clerk, at=at, shims=[loose])
    put_away(site=site, actor=clerk, at=at, shims=[in_bin(bins[1], 2, thickness_nm=bins[0].size_nm)])
    refused(NotEnough, lambda: reverse(from_receiving), says="2 × 2.625 mm new asked from receiving, 0 avail")
    reverse(first)


def test_held_shims_are_not_taken_back(reverse, bins, hold):
    first = Movement.objects.get()
    refused(NotEnough, lambda: reverse(first), says="3 × 2.625 mm new asked from A1, 0 available")
    assert count(bins[0]) == (3, 3)


def test_those_of_an_overdue_hold_are(reverse, bins, hold):
    reverse(Movement.objects.get(), at=hold.expires_at)
    hold.refresh_from_db()
    assert (hold.state, count(bins[0])) == ("expired", (0, 0))


@pytest.fixture
def handed_out(hold, tray, tech, at):
    hand_out_hold(hold=hold, tray=tray, actor=tech, at=at)
    return Movement.objects.get(reason="hand_out")


def test_a_hand_out_whose_hold_is_open_is_handed_back_instead(reverse, handed_out, tray, bins):
    refused(WrongState, lambda: reverse(handed_out), says="held for Job 4: hand them back instead")
    assert count(tray, bins[0].size_nm) == (3, 3)


def test_a_hand_out_whose_hold_was_released_may_be_reversed(reverse, handed_out, hold, tech, at, tray, bins):
    release_hold(hold=hold, actor=tech, at=at)
    assert count(tray, bins[0].size_nm) == (3, 0)
    reverse(handed_out)
    assert (contents(tray), count(bins[0])) == ({}, (3, 0))


def test_a_hand_out_that_was_handed_back_has_nothing_to_reverse(reverse, handed_out, hold, tech, at):
    hand_back_hold(hold=hold, actor=tech, at=at)
    refused(NotEnough, lambda: reverse(handed_out), says="3 × 2.625 mm new asked from T1, 0 available")


def test_a_fit_is_reversed_and_its_hold_stays_resolved(reverse, handed_out, hold, site, tech, at, tray, bins):
    """The shims are in the tray again, promised to nobody."""
    shim = OneShim(family_id=bins[0].family_id, thickness_nm=bins[0].size_nm, condition="new")
    _, fit = fit_shims(
        site=site,
        actor=tech,
        at=at,
        tray=tray,
        pulled=[],
        fitted=[Fitted(shim=shim, hold_line=hold.lines.get())] * 2,
        holds=[hold],
        job_id=hold.job_id,
        document="Job 4",
    )
    reverse(fit)
    hold.refresh_from_db()
    assert (hold.state, count(tray, bins[0].size_nm)) == ("fitted", (3, 0))


def test_nothing_goes_back_into_a_retired_bin(reverse, receive, bins, site, clerk, at):
    moved = put_away_from_receiving(bins, site, clerk, at)
    undone = reverse(moved)
    Place.objects.filter(pk=bins[0].pk).update(retired_at=at)
    refused(WrongState, lambda: reverse(undone), says="A1 is out of use")


def put_away_from_receiving(bins, site, clerk, at):
    shims = in_bin(bins[0], 2)
    receive_shims(site=site, actor=clerk, at=at, shims=[replace(shims, place=None)])
    return put_away(site=site, actor=clerk, at=at, shims=[shims])


def test_it_wants_a_reason(reverse, receive):
    first = receive()
    refused(Invalid, lambda: reverse(first, note=" "), {"/note": "must say why"})
    refused(Invalid, lambda: reverse(first, note="x" * 401), {"/note": "400 is the most"})


def test_who(reverse, receive, clerk, tech, stranger):
    first = receive()
    refused(Forbidden, lambda: reverse(first, actor=clerk), says="may not reverse a movement")
    refused(Forbidden, lambda: reverse(first, actor=tech))
    refused(NotFound, lambda: reverse(first, actor=stranger))


def test_everything_reversed_in_turn_leaves_nothing(reverse, receive, bins, site, clerk, at):
    receive(0, 5)
    put_away_from_receiving(bins, site, clerk, at)
    for movement in list(Movement.objects.order_by("-seq")):
        reverse(movement)
    assert not Balance.objects.exclude(on_hand=0).exists()
