"""What may happen once happens once, whoever comes at the same moment: L5, L6, F10, and a bin's retiring."""

from datetime import timedelta

import pytest

from inventory.models import Hold, Movement, Place, PurchaseList
from inventory.selectors.audit import audit
from inventory.services.bins import restore_bin, retire_bin
from inventory.services.catalogue import add_supplier
from inventory.services.floor import reverse_movement
from inventory.services.holds import Wanted, expire_due_holds, hand_out_hold, hold_shims, release_hold
from inventory.services.outside_fit import fit_hold
from inventory.services.purchasing import Buy, mark_bought
from inventory.services.receiving import receive_purchase
from tests.concurrency.crowd import at_once, deadlocks, tally
from tests.inventory.books import count

pytestmark = pytest.mark.django_db(transaction=True)


def test_fifty_movements_each_reversed_by_two(receive, bins, boss, at):
    """L5: exactly one reversal of each; and each reversal is reversed by one of two in turn."""
    movements = [receive(number % 4, 1 + number % 3) for number in range(50)]
    full = [count(place) for place in bins]
    before = deadlocks()

    def reverse(index, number):
        return reverse_movement(movement=movements[number], actor=boss, at=at, note="twice at once")

    def check(number, outcomes):
        assert tally(outcomes) == {"": 1, "already-reversed": 1}, number
        movements[number] = next(outcome.result for outcome in outcomes if outcome.result)

    at_once(2, 50, reverse, check)
    assert [count(place) for place in bins] == [(0, 0)] * 4
    at_once(2, 50, reverse, check)
    assert [count(place) for place in bins] == full
    assert Movement.objects.filter(reason="reverse").count() == 100
    assert audit() == []
    assert deadlocks() == before


def test_a_hold_resolves_once(receive, bins, tray, site, tech, at, size):
    """L6: eight at once fit all, fit part, release and expire one hold; one wins, seven are told who did."""
    receive(0, 4)
    state = {}
    late = at + timedelta(days=30)

    def open_hold(number):
        line = Wanted(
            place=bins[0],
            family_id=bins[0].family_id,
            thickness_nm=bins[0].size_nm,
            condition="new",
            quantity=2,
        )
        state["hold"] = hold_shims(site=site, actor=tech, at=at, lines=[line], reference=f"Order {number}")

    acts = (
        lambda hold: fit_hold(hold=hold, actor=tech, at=at),
        lambda hold: fit_hold(hold=hold, actor=tech, at=at, fitted={0: 1}),
        lambda hold: release_hold(hold=hold, actor=tech, at=at),
        lambda hold: expire_due_holds(site=site, at=late) or None,
    )

    def check(number, outcomes):
        hold = Hold.objects.get(pk=state["hold"].pk)
        winners = [index % 4 for index, outcome in enumerate(outcomes) if outcome.result is not None]
        assert len(winners) == 1, (number, outcomes)
        assert hold.state == ("fitted", "fitted", "released", "expired")[winners[0]]
        told = [outcome.error for outcome in outcomes if outcome.error]
        # A sweep that comes too late has nothing to be told: it finds nothing to expire.
        assert {error.extra["state"] for error in told} == {hold.state}
        assert {error.code for error in told} == (
            {"hold-expired"} if hold.state == "expired" else {"wrong-state"}
        )
        fitted = {0: 2, 1: 1}.get(winners[0], 0)
        assert hold.lines.get().fitted == fitted
        state["left"] -= fitted
        assert count(bins[0]) == (state["left"], 0)
        if fitted:
            receive(0, fitted)
            state["left"] += fitted
        open_hold(number)

    state["left"] = 4
    open_hold(-1)
    at_once(8, size(40, 5_000), lambda index, number: acts[index % 4](state["hold"]), check)
    assert audit() == []


def test_handed_out_or_released_but_not_both(receive, bins, tray, site, tech, at):
    receive(0, 40)
    line = Wanted(
        place=bins[0], family_id=bins[0].family_id, thickness_nm=bins[0].size_nm, condition="new", quantity=1
    )
    holds = [
        hold_shims(site=site, actor=tech, at=at, lines=[line], reference=f"Order {number}")
        for number in range(20)
    ]

    def act(index, number):
        if index % 2:
            return hand_out_hold(hold=holds[number], tray=tray, actor=tech, at=at)
        return expire_due_holds(site=site, at=holds[number].expires_at) or None

    def check(number, outcomes):
        hold = Hold.objects.get(pk=holds[number].pk)
        out = sum(1 for index in (1, 3) if outcomes[index].result)
        assert out == (1 if hold.handed_out_at else 0)
        assert hold.state == ("held" if out else "expired")

    at_once(4, 20, act, check)
    assert audit() == []


def test_one_delivery_keyed_in_by_two_is_booked_once(bins, site, clerk, service, family, at):
    """F10: the whole list at once; the second is told that it is received."""
    supplier = add_supplier(actor=service, code="brandt", name="Brandt Parts", lead_days=2)
    buys = [Buy(family=family, thickness_nm=place.size_nm, quantity=3) for place in bins]
    lists = [mark_bought(site=site, actor=clerk, at=at, supplier=supplier, buys=buys) for _ in range(15)]
    received = [{line.pk: line.quantity for line in bought.lines.all()} for bought in lists]

    def receive_all(index, number):
        return receive_purchase(purchase_list=lists[number], actor=clerk, at=at, received=received[number])

    def check(number, outcomes):
        assert tally(outcomes) == {"": 1, "wrong-state": 1}
        assert count(bins[0]) == (3 * (number + 1), 0)

    at_once(2, 15, receive_all, check)
    assert audit() == []


def test_one_part_of_a_delivery_keyed_in_by_two_is_booked_once(bins, site, clerk, service, family, at):
    """F10: the list stays open after a part, so the version that both saw tells them apart."""
    supplier = add_supplier(actor=service, code="brandt", name="Brandt Parts", lead_days=2)
    buy = Buy(family=family, thickness_nm=bins[0].size_nm, quantity=100)
    bought = mark_bought(site=site, actor=clerk, at=at, supplier=supplier, buys=[buy])
    line = bought.lines.get()

    def receive_five(index, number):
        return receive_purchase(
            purchase_list=bought, actor=clerk, at=at, received={line.pk: 5}, version=1 + number
        )

    def check(number, outcomes):
        assert tally(outcomes) == {"": 1, "stale-version": 1}
        assert count(bins[0]) == (5 * (number + 1), 0)

    at_once(2, 15, receive_five, check)
    assert PurchaseList.objects.get().lines.get().received == 75


def test_no_shim_goes_into_a_bin_that_is_being_retired(receive, bins, boss, at):
    """Either the shims came first and the bin stays, or the bin was retired first and they are refused."""

    def act(index, number):
        if index % 2:
            return receive(0, 1)
        return retire_bin(place=Place.objects.get(pk=bins[0].pk), actor=boss, at=at)

    def check(number, outcomes):
        place = Place.objects.get(pk=bins[0].pk)
        arrived = [outcome.result for index, outcome in enumerate(outcomes) if index % 2 and outcome.result]
        retired = [
            outcome.result for index, outcome in enumerate(outcomes) if not index % 2 and outcome.result
        ]
        assert bool(arrived) != bool(retired), (number, outcomes)
        assert (place.retired_at is None) == bool(arrived)
        assert count(place) == (len(arrived), 0)
        for movement in arrived:
            reverse_movement(movement=movement, actor=boss, at=at, note="next round")
        if retired:
            restore_bin(place=place, actor=boss, at=at)

    at_once(4, 20, act, check)
    assert audit() == []
