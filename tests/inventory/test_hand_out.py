"""Hand a hold's shims out to a job's tray, and back to the bins that they came from."""

from dataclasses import replace
from datetime import timedelta

import pytest

from inventory.models import Movement, Place
from inventory.services.bins import retire_bin
from inventory.services.catalogue import add_bin, add_tray
from inventory.services.floor import move_shims, receive_shims
from inventory.services.holds import (
    Wanted,
    expire_due_holds,
    hand_back_hold,
    hand_out_hold,
    hold_shims,
    release_hold,
)
from shop.actor import Actor
from shop.errors import Forbidden, HoldExpired, Invalid, NotFound, WrongState
from shop.ids import new_id
from tests.inventory.books import contents, count, in_bin, lines_of, refused

pytestmark = pytest.mark.django_db


@pytest.fixture
def hold(site, tech, at, bins, receive):
    receive(0, 3)
    receive(1, 2)
    lines = [
        Wanted(
            place=place,
            family_id=place.family_id,
            thickness_nm=place.size_nm,
            condition="new",
            quantity=quantity,
        )
        for place, quantity in ((bins[0], 2), (bins[1], 1))
    ]
    return hold_shims(site=site, actor=tech, at=at, lines=lines, reference="Job 4", job_id=new_id())


@pytest.fixture
def hand_out(hold, tray, tech, at):
    def act(actor=tech, tray=tray, at=at, **more):
        return hand_out_hold(hold=hold, tray=tray, actor=actor, at=at, **more)

    return act


@pytest.fixture
def hand_back(hold, tech, at):
    def act(actor=tech, at=at, **more):
        return hand_back_hold(hold=hold, actor=actor, at=at, **more)

    return act


def test_shims_and_promise_move_to_the_tray(hand_out, hold, bins, tray, at):
    out = hand_out()
    movement = Movement.objects.get(reason="hand_out")
    assert lines_of(movement) == [
        ("A1", "2.625", "new", -2),
        ("T1", "2.625", "new", 2),
        ("A2", "2.650", "new", -1),
        ("T1", "2.650", "new", 1),
    ]
    assert (movement.job_id, movement.document) == (hold.job_id, "Job 4")
    assert contents(tray) == {("2.625", "new"): (2, 2), ("2.650", "new"): (1, 1)}
    assert (count(bins[0]), count(bins[1])) == ((1, 0), (1, 0))
    assert (out.state, out.handed_out_at, out.expires_at, out.version) == ("held", at, None, 2)
    assert list(out.lines.values_list("place__code", "taken_from__code")) == [("T1", "A1"), ("T1", "A2")]


def test_from_then_on_it_does_not_expire(hand_out, hold, site, at):
    hand_out(at=hold.expires_at - timedelta(seconds=1))
    assert expire_due_holds(site=site, at=at + timedelta(days=999)) == 0


def test_too_late(hand_out, hold, at, site):
    refused(HoldExpired, lambda: hand_out(at=hold.expires_at))
    expire_due_holds(site=site, at=hold.expires_at)
    refused(HoldExpired, lambda: hand_out(at=at))


def test_handed_out_twice(hand_out):
    hand_out()
    refused(WrongState, hand_out, says="The shims of Job 4 were handed out already.")


def test_after_its_release(hand_out, hold, tech, at):
    release_hold(hold=hold, actor=tech, at=at)
    refused(WrongState, hand_out, says="The hold for Job 4 is released already.")


def test_only_to_a_tray_of_this_site(hand_out, bins, service, other_site, places):
    there = add_tray(site=other_site, actor=service, code="T7")
    for place in (there, bins[2], places["receiving"], places["engine"]):
        refused(Invalid, lambda place=place: hand_out(tray=place), {"/tray": "is no tray of North Yard"})


def test_a_tray_that_is_no_longer_in_use(hand_out, tray, at):
    Place.objects.filter(pk=tray.pk).update(retired_at=at)
    refused(WrongState, hand_out, says="T1 is no longer in use")


def test_words(hand_out, hand_back):
    refused(Invalid, lambda: hand_out(document="x" * 81), {"/document": "80 is the most"})
    hand_out()
    refused(Invalid, lambda: hand_back(note="x" * 401), {"/note": "400 is the most"})


def test_handed_back(hand_out, hand_back, hold, bins, tray, at, tech):
    hand_out()
    back = hand_back(note="engine is warm")
    movement = Movement.objects.get(reason="hand_back")
    assert lines_of(movement) == [
        ("T1", "2.625", "new", -2),
        ("A1", "2.625", "new", 2),
        ("T1", "2.650", "new", -1),
        ("A2", "2.650", "new", 1),
    ]
    assert (movement.note, movement.job_id) == ("engine is warm", hold.job_id)
    assert (back.state, back.resolved_at, back.resolved_by, back.note) == (
        "released",
        at,
        tech.label,
        "engine is warm",
    )
    assert contents(tray) == {}
    assert (count(bins[0]), count(bins[1])) == ((3, 0), (2, 0))


def test_back_without_out(hand_back):
    refused(WrongState, hand_back, says="were not handed out; release the hold instead")


def test_back_twice(hand_out, hand_back):
    hand_out()
    hand_back()
    refused(WrongState, hand_back, says="The hold for Job 4 is released already.")


def test_no_bin_is_retired_while_shims_from_it_are_out(hand_out, hand_back, bins, boss, at):
    """So that they can always go back to where they came from."""
    hand_out()
    move_shims(
        site=bins[0].site,
        actor=boss,
        at=at,
        source=bins[0],
        shims=[replace(in_bin(bins[0], 1), place=bins[2])],
    )
    refused(WrongState, lambda: retire_bin(place=bins[0], actor=boss, at=at), says="are out for Job 4")
    hand_back()
    assert count(bins[0]) == (2, 0)


def test_released_when_handed_out_they_lie_in_the_tray(hand_out, hold, tech, at, tray):
    hand_out()
    release_hold(hold=hold, actor=tech, at=at)
    assert contents(tray) == {("2.625", "new"): (2, 0), ("2.650", "new"): (1, 0)}


def test_two_holds_in_one_tray_are_told_apart(hand_out, hand_back, site, tech, at, bins, tray):
    line = Wanted(
        place=bins[0], family_id=bins[0].family_id, thickness_nm=bins[0].size_nm, condition="new", quantity=1
    )
    other = hold_shims(site=site, actor=tech, at=at, lines=[line], reference="Job 4")
    hand_out()
    hand_out_hold(hold=other, tray=tray, actor=tech, at=at)
    assert count(tray, bins[0].size_nm) == (3, 3)
    hand_back()
    assert count(tray, bins[0].size_nm) == (1, 1)


def test_who(hand_out, hand_back, stranger, clerk, boss, technician, site):
    refused(NotFound, lambda: hand_out(actor=stranger))
    reader = Actor(
        user=technician, roles={site.id: "technician"}, scopes=frozenset({"read"}), key_name="calc"
    )
    refused(Forbidden, lambda: hand_out(actor=reader), says="may not hand out shims")
    hand_out(actor=clerk)
    refused(NotFound, lambda: hand_back(actor=stranger))
    hand_back(actor=boss)


def test_used_shims_keep_their_measured_thickness_on_the_way(site, clerk, tech, at, bins, tray):
    shims = in_bin(bins[0], 1, thickness_nm=2_631_400, condition="used")
    receive_shims(site=site, actor=clerk, at=at, shims=[shims])
    line = Wanted(
        place=bins[0], family_id=bins[0].family_id, thickness_nm=2_631_400, condition="used", quantity=1
    )
    made = hold_shims(site=site, actor=tech, at=at, lines=[line], reference="Job 4")
    hand_out_hold(hold=made, tray=tray, actor=tech, at=at)
    assert contents(tray) == {("2.6314", "used"): (1, 1)}


def test_another_sites_hold_stays_where_it_is(other_site, service, family, tray, tech, at):
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
    receive_shims(site=other_site, actor=service, at=at, shims=[in_bin(there)])
    line = Wanted(place=there, family_id=family.id, thickness_nm=2_650_000, condition="new", quantity=1)
    foreign = hold_shims(site=other_site, actor=service, at=at, lines=[line], reference="Order 1")
    refused(NotFound, lambda: hand_out_hold(hold=foreign, tray=tray, actor=tech, at=at))
    refused(Invalid, lambda: hand_out_hold(hold=foreign, tray=tray, actor=service, at=at))
