"""Bins relocated, retired and brought back: nothing of their history is lost."""

import threading

import pytest
from django.db import connection, transaction

from inventory.models import Condition, Place, PlaceEvent, PlaceKind
from inventory.selectors.movements import history_of_place
from inventory.selectors.places import bins as bins_in_use
from inventory.services.bins import edit_bin, relocate_bin, restore_bin, retire_bin
from inventory.services.catalogue import add_bin
from inventory.services.counting import open_counts
from inventory.services.floor import Shims, move_shims, receive_shims, scrap_shims
from inventory.services.holds import Wanted, hand_back_hold, hand_out_hold, hold_shims
from shop.actor import service_actor
from shop.errors import Conflict, Forbidden, Invalid, NotFound, ShopError, WrongState
from tests.inventory.lots import lots

pytestmark = pytest.mark.django_db

NM = 2_625_000


def events(place):
    """What happened to a bin since it was added."""
    since = PlaceEvent.objects.filter(place=place).exclude(act=PlaceEvent.Act.ADD)
    return list(since.values_list("act", "text"))


def position(place):
    place.refresh_from_db()
    return place.cabinet, place.row, place.column


def test_what_a_bin_is_kept_for_and_how_much_it_takes(bins, clerk, at, family):
    kept = edit_bin(place=bins[0], actor=clerk, at=at, family=family, size_nm=2_650_000, capacity=20)
    assert (kept.family, kept.size_nm, kept.capacity, kept.version) == (family, 2_650_000, 20, 2)
    free = edit_bin(place=kept, actor=clerk, at=at, family=None, size_nm=None, capacity=None)
    assert (free.family, free.size_nm, free.capacity) == (None, None, None)
    assert [text for _, text in events(free)] == [
        "Was for 2.625 mm of disc29; now for 2.650 mm of disc29, up to 20",
        "Was for 2.650 mm of disc29, up to 20; now for anything",
    ]
    with pytest.raises(Conflict, match="A1 is for anything already"):
        edit_bin(place=free, actor=clerk, at=at, family=None, size_nm=None, capacity=None)


def test_what_a_bin_cannot_be_kept_for(bins, clerk, at, family):
    for use, pointer in (
        ({"family": family, "size_nm": 2_630_000, "capacity": None}, "/size"),
        ({"family": None, "size_nm": 2_625_000, "capacity": None}, "/family"),
        ({"family": family, "size_nm": None, "capacity": 0}, "/capacity"),
        ({"family": family, "size_nm": None, "capacity": 100_001}, "/capacity"),
    ):
        with pytest.raises(Invalid) as refusal:
            edit_bin(place=bins[0], actor=clerk, at=at, **use)
        assert [error.pointer for error in refusal.value.errors] == [pointer]
    assert events(bins[0]) == []


def test_a_bin_is_relocated(bins, clerk, at):
    relocate_bin(place=bins[0], actor=clerk, at=at, cabinet="B", row=3, column=2)
    assert position(bins[0]) == ("B", 3, 2)
    words = "From cabinet A, row 1, column 1 to cabinet B, row 3, column 2"
    assert events(bins[0]) == [("relocate", words)]


def test_the_bin_that_is_there_is_exchanged(bins, clerk, at):
    relocate_bin(place=bins[0], actor=clerk, at=at, cabinet="A", row=1, column=3)
    assert (position(bins[0]), position(bins[2])) == (("A", 1, 3), ("A", 1, 1))
    assert events(bins[0])[0][1].endswith("in exchange for A3")
    assert events(bins[2])[0][1] == (
        "From cabinet A, row 1, column 3 to cabinet A, row 1, column 1, in exchange for A1"
    )


def test_where_it_is_already_it_need_not_go(bins, clerk, at):
    with pytest.raises(Conflict, match="is at cabinet A, row 1, column 1 already"):
        relocate_bin(place=bins[0], actor=clerk, at=at, cabinet="A", row=1, column=1)


@pytest.mark.parametrize(
    ("cabinet", "row", "column", "pointer"),
    [("", 1, 1, "/cabinet"), ("A", 0, 1, "/row"), ("A", 1, 1_000, "/column"), ("A" * 21, 1, 1, "/cabinet")],
)
def test_what_is_no_position(cabinet, row, column, pointer, bins, clerk, at):
    with pytest.raises(Invalid) as refusal:
        relocate_bin(place=bins[0], actor=clerk, at=at, cabinet=cabinet, row=row, column=column)
    assert [error.pointer for error in refusal.value.errors] == [pointer]


def test_a_tray_has_no_place_in_a_cabinet(tray, clerk, at):
    with pytest.raises(Invalid, match="T1 is no bin"):
        relocate_bin(place=tray, actor=clerk, at=at, cabinet="A", row=9, column=9)
    with pytest.raises(Invalid, match="T1 is no bin"):
        retire_bin(place=tray, actor=clerk, at=at)


def test_who_may_rearrange(bins, tech, stranger, at):
    for act in (
        lambda actor: relocate_bin(place=bins[0], actor=actor, at=at, cabinet="B", row=1, column=1),
        lambda actor: retire_bin(place=bins[0], actor=actor, at=at),
        lambda actor: edit_bin(place=bins[0], actor=actor, at=at, family=None, size_nm=None, capacity=None),
        lambda actor: restore_bin(place=bins[0], actor=actor, at=at),
    ):
        with pytest.raises(Forbidden, match="may not relocate, merge, split or retire bins"):
            act(tech)
        with pytest.raises(NotFound):
            act(stranger)
    assert events(bins[0]) == []


def test_a_retired_bin_takes_nothing_and_keeps_its_history(bins, clerk, at, site, family, receive):
    receive(0, 2)
    out = Shims(family=family, thickness_nm=NM, condition=Condition.NEW, quantity=2, place=bins[1])
    move_shims(site=site, actor=clerk, at=at, source=bins[0], shims=[out])
    retired = retire_bin(place=bins[0], actor=clerk, at=at, note="drawer broken")
    assert retired.retired_at == at
    assert bins[0] not in bins_in_use(site)
    assert history_of_place(bins[0]).count() == 2
    assert events(bins[0]) == [("retire", "Out of use: drawer broken")]
    for place in (retired, bins[0]):  # as it is now, and as a page that was opened before still has it
        into = Shims(family=family, thickness_nm=NM, condition=Condition.NEW, quantity=1, place=place)
        with pytest.raises(ShopError):
            receive_shims(site=site, actor=clerk, at=at, shims=[into])
    with pytest.raises(Invalid, match="code A1 is taken by one that is out of use: bring that back into use"):
        add_bin(site=site, actor=service_actor(), at=at, code="A1", cabinet="Z", row=1, column=1)


def test_a_bin_with_shims_in_it_stays_in_use(bins, clerk, at, receive):
    receive(0, 1)
    with pytest.raises(WrongState, match="A1 still holds 1 kind of shim"):
        retire_bin(place=bins[0], actor=clerk, at=at)


def test_a_bin_is_not_retired_twice(bins, clerk, at):
    retire_bin(place=bins[0], actor=clerk, at=at)
    with pytest.raises(WrongState, match="out of use: bring it back"):
        retire_bin(place=bins[0], actor=clerk, at=at)
    with pytest.raises(WrongState, match="out of use: bring it back"):
        edit_bin(place=bins[0], actor=clerk, at=at, family=None, size_nm=None, capacity=9)
    with pytest.raises(WrongState, match="out of use: bring it back"):
        relocate_bin(place=bins[0], actor=clerk, at=at, cabinet="B", row=1, column=1)
    assert len(events(bins[0])) == 1


def test_a_bin_that_is_being_counted_stays_in_use(bins, clerk, at, site):
    open_counts(site=site, actor=clerk, at=at, places=[bins[0]])
    with pytest.raises(WrongState, match="A1 is being counted"):
        retire_bin(place=bins[0], actor=clerk, at=at)


def test_a_bin_whose_shims_are_out_in_a_tray_stays_in_use(bins, clerk, at, site, family, receive, tray):
    receive(0, 1)
    wanted = Wanted(place=bins[0], family_id=family.id, thickness_nm=NM, condition=Condition.NEW, quantity=1)
    hold = hold_shims(site=site, actor=clerk, at=at, lines=[wanted], reference="job 7")
    hold = hand_out_hold(hold=hold, tray=tray, actor=clerk, at=at)
    with pytest.raises(WrongState, match="out for job 7 and may come back"):
        retire_bin(place=bins[0], actor=clerk, at=at)
    hand_back_hold(hold=hold, actor=clerk, at=at)
    shims = Shims(family=family, thickness_nm=NM, condition=Condition.NEW, quantity=1)
    scrap_shims(site=site, actor=clerk, at=at, source=bins[0], shims=[shims], note="bent")
    retire_bin(place=bins[0], actor=clerk, at=at)


def test_a_bin_comes_back_into_use(bins, clerk, at, receive):
    retired = retire_bin(place=bins[0], actor=clerk, at=at)
    back = restore_bin(place=retired, actor=clerk, at=at, note="drawer mended")
    assert (back.retired_at, position(back)) == (None, ("A", 1, 1))
    receive(0, 1)
    assert events(back)[-1] == ("restore", "Back in use: drawer mended")
    with pytest.raises(WrongState, match="A1 is in use"):
        restore_bin(place=back, actor=clerk, at=at)


def test_it_comes_back_without_a_position_that_was_given_away(bins, clerk, at):
    retired = retire_bin(place=bins[0], actor=clerk, at=at)
    relocate_bin(place=bins[1], actor=clerk, at=at, cabinet="A", row=1, column=1)
    back = restore_bin(place=retired, actor=clerk, at=at, note="mended")
    assert position(back) == ("", None, None)
    _, words = events(back)[-1]
    assert words.startswith("Back in use, without a place in a cabinet: ")
    assert words.endswith(": mended")


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_a_delivery_waits_for_a_retirement_that_has_begun(site, family, clerk, at):
    """The race by hand: the bin is retired but not committed while the delivery asks for it."""
    place = Place.objects.create(site=site, kind=PlaceKind.BIN, code="R1")
    shims = Shims(family=family, thickness_nm=NM, condition=Condition.NEW, quantity=1, place=place)
    outcome = []

    def deliver():
        try:
            receive_shims(site=site, actor=clerk, at=at, shims=[shims])
        except ShopError as refusal:
            outcome.append(refusal)
        finally:
            connection.close()

    delivery = threading.Thread(target=deliver)
    with transaction.atomic():
        retire_bin(place=place, actor=clerk, at=at)
        delivery.start()
        delivery.join(0.5)
        assert delivery.is_alive()
    delivery.join()
    assert [type(refusal) for refusal in outcome] == [WrongState]
    assert lots(place) == {}
