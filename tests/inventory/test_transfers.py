"""Shims from one site to another: in transit until they are taken in, called back or written off."""

import pytest

from inventory.models import Condition, Movement, PlaceKind, Reason, Transfer
from inventory.selectors.places import place_of
from inventory.services.catalogue import add_bin
from inventory.services.floor import Shims, move_shims, reverse_movement
from inventory.services.holds import Wanted, hold_shims
from inventory.services.transfers import (
    arrive_shims,
    recall_transfer,
    send_shims,
    take_back_arrival,
    write_off_transfer,
)
from shop.errors import Conflict, Forbidden, Invalid, NotEnough, NotFound, StaleVersion, WrongState
from tests.inventory.lots import lots, new

pytestmark = pytest.mark.django_db

NM = 2_625_000


@pytest.fixture
def there(other_site, stranger, family, at):
    """A bin at the other site, where `stranger` is the manager."""
    return add_bin(
        site=other_site,
        actor=stranger,
        at=at,
        code="H1",
        cabinet="H",
        row=1,
        column=1,
        family=family,
        size_nm=NM,
    )


@pytest.fixture
def transit(site):
    return place_of(site, PlaceKind.TRANSIT)


@pytest.fixture
def send(site, other_site, clerk, at, family, bins, receive):
    def act(quantity=3, actor=clerk, target=other_site, place=None, condition=Condition.NEW):
        shims = Shims(
            family=family, thickness_nm=NM, condition=condition, quantity=quantity, place=place or bins[0]
        )
        return send_shims(site=site, target=target, actor=actor, at=at, shims=[shims], note="Harbour is out")

    receive(0, 5)
    return act


def test_sent_shims_are_in_transit_in_the_sender_s_books(send, bins, transit, site, other_site):
    transfer = send(3)
    assert lots(bins[0]) == new(NM, 2)
    assert lots(transit) == new(NM, 3)
    assert (transfer.number, transfer.state, str(transfer)) == (1, "in_transit", "Transfer 1 from north")
    movement = Movement.objects.get(reason=Reason.SEND)
    assert (movement.site, movement.actor, movement.document) == (site, "Tobi Lund", "Transfer 1 from north")
    assert send(1).number == 2


def test_arrived_shims_lie_in_the_bin_that_was_named(send, there, transit, stranger, at, other_site):
    transfer = arrive_shims(transfer=send(3), actor=stranger, at=at, places={0: there})
    assert lots(there) == new(NM, 3)
    assert lots(transit) == {}
    assert (transfer.state, transfer.closed_at) == ("closed", at)
    movement = Movement.objects.get(reason=Reason.ARRIVE)
    assert (movement.site, movement.actor) == (other_site, "Odo Brandt")


def test_without_a_bin_they_lie_in_receiving(send, stranger, at, other_site, family, there):
    arrive_shims(transfer=send(2), actor=stranger, at=at)
    assert lots(place_of(other_site, PlaceKind.RECEIVING)) == new(NM, 2)


def test_what_is_missing_stays_in_transit_until_it_comes(send, there, transit, stranger, at):
    transfer = arrive_shims(transfer=send(3), actor=stranger, at=at, arrived={0: 2}, places={0: there})
    assert (transfer.state, lots(there), lots(transit)) == ("in_transit", new(NM, 2), new(NM, 1))
    assert transfer.lines.get().in_transit == 1
    transfer = arrive_shims(transfer=transfer, actor=stranger, at=at, places={0: there})
    assert (transfer.state, lots(there), lots(transit)) == ("closed", new(NM, 3), {})


@pytest.mark.parametrize("arrived", [{0: 4}, {0: -1}, {1: 1}, {0: 0}, {}])
def test_more_than_was_sent_cannot_arrive_nor_nothing(arrived, send, there, transit, stranger, at):
    transfer = send(3)
    with pytest.raises(Invalid) as refusal:
        arrive_shims(transfer=transfer, actor=stranger, at=at, arrived=arrived)
    assert refusal.value.errors[0].pointer.startswith("/arrived")
    assert lots(transit) == new(NM, 3)


def test_a_bin_of_the_sender_is_none_of_the_target(send, bins, stranger, at, transit):
    with pytest.raises(Invalid, match="A1 is no bin in use at Harbour Street"):
        arrive_shims(transfer=send(3), actor=stranger, at=at, places={0: bins[0]})
    assert lots(transit) == new(NM, 3)


def test_taken_in_twice_is_refused(send, there, stranger, at):
    transfer = send(3)
    arrive_shims(transfer=transfer, actor=stranger, at=at, places={0: there})
    with pytest.raises(WrongState, match="closed already"):
        arrive_shims(transfer=transfer, actor=stranger, at=at, places={0: there})
    assert lots(there) == new(NM, 3)


def test_two_tablets_on_one_parcel(send, there, stranger, at):
    transfer = send(3)
    seen = transfer.version
    arrive_shims(transfer=transfer, actor=stranger, at=at, arrived={0: 1}, version=seen)
    with pytest.raises(StaleVersion, match="changed since"):
        arrive_shims(transfer=transfer, actor=stranger, at=at, arrived={0: 1}, version=seen)
    assert transfer.lines.get().arrived == 1


def test_held_shims_are_not_sent(send, site, clerk, at, family, bins, transit):
    wanted = Wanted(place=bins[0], family_id=family.id, thickness_nm=NM, condition=Condition.NEW, quantity=4)
    hold_shims(site=site, actor=clerk, at=at, lines=[wanted], reference="job 7")
    with pytest.raises(NotEnough) as refusal:
        send(2)
    assert refusal.value.errors[0].pointer == "/lines/0"
    assert lots(transit) == {}
    assert not Transfer.objects.exists()
    send(1)


def test_more_than_is_there_is_not_sent(send, transit):
    with pytest.raises(NotEnough, match="5 available"):
        send(6)
    assert not Transfer.objects.exists()


def test_a_site_does_not_send_to_itself(send, site):
    with pytest.raises(Invalid, match="must be another site"):
        send(1, target=site)


@pytest.mark.parametrize(
    ("field", "value", "pointer"),
    [("quantity", 0, "/lines/0/quantity"), ("condition", "shiny", "/lines/0/condition")],
)
def test_lots_that_cannot_be_are_named(field, value, pointer, send):
    with pytest.raises(Invalid) as refusal:
        send(**{field: value})
    assert [error.pointer for error in refusal.value.errors] == [pointer]


def test_shims_in_a_tray_are_not_sent(send, tray):
    with pytest.raises(Invalid, match="T1 is no bin or receiving of North Yard"):
        send(1, place=tray)


def test_nothing_is_no_parcel(site, other_site, clerk, at, family):
    with pytest.raises(Invalid, match="1 to 250 kinds"):
        send_shims(site=site, target=other_site, actor=clerk, at=at, shims=[])


def test_who_may_send(send, tech, stranger):
    with pytest.raises(Forbidden, match="may not send shims to another site"):
        send(1, actor=tech)
    with pytest.raises(NotFound):
        send(1, actor=stranger)


def test_only_the_target_takes_in(send, boss, at):
    with pytest.raises(NotFound):
        arrive_shims(transfer=send(1), actor=boss, at=at)


def test_called_back_shims_lie_where_they_were_taken_from(send, bins, transit, clerk, at):
    transfer = recall_transfer(transfer=send(3), actor=clerk, at=at)
    assert (transfer.state, lots(bins[0]), lots(transit)) == ("closed", new(NM, 5), {})
    assert transfer.lines.get().came_back == 3
    with pytest.raises(WrongState):
        recall_transfer(transfer=transfer, actor=clerk, at=at)


def test_called_back_to_a_bin_that_is_gone(send, bins, transit, clerk, boss, at, site):
    transfer = send(5)
    bins[0].retired_at = at
    bins[0].save()
    recall_transfer(transfer=transfer, actor=clerk, at=at)
    assert lots(place_of(site, PlaceKind.RECEIVING)) == new(NM, 5)


def test_only_the_sender_calls_back(send, stranger, tech, at):
    transfer = send(1)
    with pytest.raises(NotFound):
        recall_transfer(transfer=transfer, actor=stranger, at=at)
    with pytest.raises(Forbidden):
        recall_transfer(transfer=transfer, actor=tech, at=at)


def test_what_never_comes_is_written_off_by_the_sender_s_manager(
    send, there, stranger, clerk, boss, at, transit, site
):
    transfer = arrive_shims(transfer=send(3), actor=stranger, at=at, arrived={0: 2}, places={0: there})
    with pytest.raises(Forbidden):
        write_off_transfer(transfer=transfer, actor=clerk, at=at, note="lost in the post")
    with pytest.raises(NotFound):
        write_off_transfer(transfer=transfer, actor=stranger, at=at, note="lost in the post")
    with pytest.raises(Invalid, match="Say why"):
        write_off_transfer(transfer=transfer, actor=boss, at=at, note=" ")
    transfer = write_off_transfer(transfer=transfer, actor=boss, at=at, note="lost in the post")
    assert (transfer.state, lots(transit)) == ("closed", {})
    assert lots(place_of(site, PlaceKind.DIFFERENCE)) == new(NM, 1)
    with pytest.raises(WrongState):
        write_off_transfer(transfer=transfer, actor=boss, at=at, note="again")


def test_a_wrong_arrival_is_taken_back_once(send, there, transit, stranger, at):
    transfer = arrive_shims(transfer=send(3), actor=stranger, at=at, places={0: there})
    arrival = Movement.objects.get(reason=Reason.ARRIVE)
    transfer = take_back_arrival(
        transfer=transfer, movement=arrival, actor=stranger, at=at, note="only 2 in the bag"
    )
    assert (transfer.state, lots(there), lots(transit)) == ("in_transit", {}, new(NM, 3))
    assert transfer.lines.get().in_transit == 3
    with pytest.raises(Conflict, match="already"):
        take_back_arrival(transfer=transfer, movement=arrival, actor=stranger, at=at, note="again")
    transfer = arrive_shims(transfer=transfer, actor=stranger, at=at, arrived={0: 2}, places={0: there})
    assert lots(there) == new(NM, 2)


def test_what_was_called_back_or_written_off_by_mistake_is_in_transit_again(
    send, there, stranger, clerk, boss, at, transit, site
):
    undo = {"actor": boss, "at": at, "note": "it is on its way after all"}
    transfer = arrive_shims(transfer=send(5), actor=stranger, at=at, arrived={0: 2}, places={0: there})
    for act, field in (
        (lambda parcel: recall_transfer(transfer=parcel, actor=clerk, at=at), "came_back"),
        (lambda parcel: write_off_transfer(transfer=parcel, actor=boss, at=at, note="lost"), "written_off"),
    ):
        before = lots(place_of(site, PlaceKind.DIFFERENCE))
        assert act(transfer).state == "closed"
        assert (getattr(transfer.lines.get(), field), lots(transit)) == (3, {})
        movement = Movement.objects.order_by("seq").last()
        with pytest.raises(WrongState, match="take back what became of it"):
            reverse_movement(movement=movement, **undo)
        for wrong in (clerk, stranger):  # who may not, and who has nothing to do with the sender's books
            with pytest.raises((Forbidden, NotFound)):
                take_back_arrival(transfer=transfer, movement=movement, **undo | {"actor": wrong})
        transfer = take_back_arrival(transfer=transfer, movement=movement, **undo)
        assert (transfer.state, lots(transit)) == ("in_transit", new(NM, 3))
        line = transfer.lines.get()
        assert (line.arrived, line.came_back, line.written_off, line.in_transit) == (2, 0, 0, 3)
        assert lots(place_of(site, PlaceKind.DIFFERENCE)) == before
        with pytest.raises(Conflict, match="taken back already"):
            take_back_arrival(transfer=transfer, movement=movement, **undo)


def test_an_arrival_whose_shims_moved_on_cannot_be_taken_back(send, there, stranger, at, other_site, family):
    transfer = arrive_shims(transfer=send(3), actor=stranger, at=at, places={0: there})
    second = add_bin(site=other_site, actor=stranger, at=at, code="H2", cabinet="H", row=1, column=2)
    moved = Shims(family=family, thickness_nm=NM, condition=Condition.NEW, quantity=1, place=second)
    move_shims(site=other_site, actor=stranger, at=at, source=there, shims=[moved])
    with pytest.raises(NotEnough):
        take_back_arrival(
            transfer=transfer,
            movement=Movement.objects.get(reason=Reason.ARRIVE),
            actor=stranger,
            at=at,
            note="wrong",
        )


def test_only_an_arrival_of_this_transfer_is_taken_back(send, there, stranger, boss, at):
    transfer = arrive_shims(transfer=send(1), actor=stranger, at=at, places={0: there})
    sent = Movement.objects.get(reason=Reason.SEND)
    with pytest.raises(NotFound, match="no such arrival"):
        take_back_arrival(transfer=transfer, movement=sent, actor=stranger, at=at, note="wrong")
    with pytest.raises(NotFound):
        take_back_arrival(
            transfer=transfer,
            movement=Movement.objects.get(reason=Reason.ARRIVE),
            actor=boss,
            at=at,
            note="not my site",
        )


def test_a_transfer_s_movements_are_not_reversed_behind_its_back(send, boss, stranger, there, at, transit):
    transfer = send(3)
    sent = Movement.objects.get(reason=Reason.SEND)
    with pytest.raises(WrongState, match="call the transfer back"):
        reverse_movement(movement=sent, actor=boss, at=at, note="wrong")
    arrive_shims(transfer=transfer, actor=stranger, at=at, places={0: there})
    arrival = Movement.objects.get(reason=Reason.ARRIVE)
    with pytest.raises(WrongState, match="part of Transfer 1 from north"):
        reverse_movement(movement=arrival, actor=stranger, at=at, note="wrong")


def test_the_same_lot_from_two_bins_arrives_under_both_lines(
    site, other_site, clerk, stranger, at, family, bins, receive, there, transit
):
    receive(0, 2)
    move = Shims(family=family, thickness_nm=NM, condition=Condition.NEW, quantity=1, place=bins[1])
    move_shims(site=site, actor=clerk, at=at, source=bins[0], shims=[move])
    shims = [
        Shims(family=family, thickness_nm=NM, condition=Condition.NEW, quantity=1, place=place)
        for place in bins[:2]
    ]
    transfer = send_shims(site=site, target=other_site, actor=clerk, at=at, shims=shims)
    transfer = arrive_shims(transfer=transfer, actor=stranger, at=at, places={0: there, 1: there})
    arrival = Movement.objects.get(reason=Reason.ARRIVE)
    transfer = take_back_arrival(
        transfer=transfer, movement=arrival, actor=stranger, at=at, note="the other parcel"
    )
    assert [line.arrived for line in transfer.lines.all()] == [0, 0]
    recall_transfer(transfer=transfer, actor=clerk, at=at)
    assert lots(bins[0]) == lots(bins[1]) == new(NM, 1)
