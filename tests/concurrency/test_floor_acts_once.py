"""Counts, transfers, take-overs and merges, each by several people at the same moment: each happens once."""

import itertools

import pytest

from inventory.compute.lengths import from_nm
from inventory.models import BinCount, Condition, Hold, Movement, Place, TalliedLot, Tally, Transfer
from inventory.selectors.audit import audit
from inventory.services.bin_content import merge_bins
from inventory.services.bins import restore_bin
from inventory.services.count_posting import approve_count, post_count
from inventory.services.counting import Found, begin_count, key_count, open_counts
from inventory.services.holds import Wanted, hold_shims, release_hold
from inventory.services.take_over import take_over_hold
from inventory.services.transfers import arrive_shims, send_shims, take_back_arrival
from tests.concurrency.crowd import at_once, tally
from tests.inventory.books import contents, count, in_bin

pytestmark = pytest.mark.django_db(transaction=True)

ROUNDS = 10


@pytest.fixture
def counted(family, bins):
    def act(quantity):
        return [
            Found(
                family=family,
                thickness=from_nm(bins[0].size_nm),
                condition=Condition.NEW,
                quantity=quantity,
            )
        ]

    return act


@pytest.fixture
def a_count(site, clerk, at, bins):
    def act():
        (found,) = open_counts(site=site, actor=clerk, at=at, places=[bins[0]])
        return found

    return act


def test_one_count_however_many_ask(site, clerk, tech, boss, at, bins):
    actors = [clerk, tech, boss, clerk]

    def ask(index, number):
        return open_counts(site=site, actor=actors[index], at=at, places=[bins[number % 4]])[0]

    def check(number, outcomes):
        assert len({outcome.result.pk for outcome in outcomes}) == 1

    at_once(4, 4, ask, check)
    assert sorted(BinCount.objects.values_list("number", flat=True)) == [1, 2, 3, 4]


def test_a_double_tap_on_the_figures(receive, a_count, counted, tech, at):
    """One tally, and the other taps are told that somebody else counts next."""
    receive(0, 5)
    count_now = a_count()

    def key(index, number):
        return key_count(count=count_now, actor=tech, at=at, found=counted(4))

    def check(number, outcomes):
        assert tally(outcomes) == {"": 1, "same-person": 3}

    at_once(4, 1, key, check)
    assert Tally.objects.count() == 1


def test_two_persons_key_in_at_the_same_moment(receive, a_count, counted, tech, clerk, boss, at):
    """Whoever comes second confirms the first: the count is never left waiting for a third."""
    receive(0, 5)
    state = {"count": a_count()}
    actors = [tech, clerk]

    def key(index, number):
        return key_count(count=state["count"], actor=actors[index], at=at, found=counted(4))

    def check(number, outcomes):
        assert tally(outcomes) == {"": 2}
        state["count"].refresh_from_db()
        assert state["count"].state == BinCount.State.TO_APPROVE
        approved = approve_count(count=state["count"], actor=boss, at=at)
        post_count(count=approved, actor=clerk, at=at)
        receive(0, 1)
        state["count"] = a_count()

    at_once(2, ROUNDS, key, check)
    assert audit() == []


def test_a_difference_is_posted_once(receive, bins, a_count, counted, tech, clerk, boss, at):
    receive(0, ROUNDS + 1)
    state = {}

    def differ(number):
        count_now, quantity = a_count(), count(bins[0])[0] - 1
        key_count(count=count_now, actor=tech, at=at, found=counted(quantity))
        count_now = key_count(count=count_now, actor=clerk, at=at, found=counted(quantity))
        state["count"] = approve_count(count=count_now, actor=boss, at=at)

    def post(index, number):
        return post_count(count=state["count"], actor=clerk, at=at)

    def check(number, outcomes):
        assert tally(outcomes) == {"": 1, "wrong-state": 3}
        assert count(bins[0]) == (ROUNDS - number, 0)
        if number + 1 < ROUNDS:
            differ(number + 1)

    differ(0)
    at_once(4, ROUNDS, post, check)
    assert audit() == []


def test_floor_work_goes_on_while_somebody_counts(receive, bins, site, a_count, tech, clerk, at, counted):
    """Deliveries come in while the count begins and ends: what was seen at any moment is never a difference,
    and a quiet second count ends it."""
    receive(0, 5)

    def act(index, number):
        if index:
            return receive(0, 1)
        count_now = a_count()
        begin_count(count=count_now, actor=tech, at=at)
        seen = count(bins[0])[0]
        return key_count(count=count_now, actor=tech, at=at, found=counted(seen))

    def check(number, outcomes):
        assert tally(outcomes) == {"": 3}
        keyed = outcomes[0].result
        assert 0 in TalliedLot.objects.get(tally__count=keyed).possible
        if keyed.state == BinCount.State.AGAIN:
            quiet = counted(count(bins[0])[0])
            keyed = key_count(count=keyed, actor=clerk, at=at, found=quiet)
        assert keyed.state == BinCount.State.AGREES

    at_once(3, ROUNDS, act, check)
    assert count(bins[0]) == (5 + 2 * ROUNDS, 0)
    assert audit() == []


def test_a_parcel_is_taken_in_once_and_taken_back_once(receive, bins, site, other_site, clerk, stranger, at):
    receive(0, ROUNDS)
    state = {}

    def send():
        state["transfer"] = send_shims(
            site=site, target=other_site, actor=clerk, at=at, shims=[in_bin(bins[0])]
        )

    def arrive(index, number):
        return arrive_shims(transfer=state["transfer"], actor=stranger, at=at)

    def taken_in(number, outcomes):
        assert tally(outcomes) == {"": 1, "wrong-state": 3}
        state.setdefault("arrived", []).append(
            (state["transfer"], Movement.objects.filter(reason="arrive").latest("seq"))
        )
        if number + 1 < ROUNDS:
            send()

    def take_back(index, number):
        transfer, movement = state["arrived"][number]
        return take_back_arrival(transfer=transfer, movement=movement, actor=stranger, at=at, note="wrong")

    def taken_back(number, outcomes):
        assert tally(outcomes) == {"": 1, "already-reversed": 1}

    send()
    at_once(4, ROUNDS, arrive, taken_in)
    at_once(2, ROUNDS, take_back, taken_back)
    assert audit() == []


def test_parcels_that_leave_at_once_have_numbers_of_their_own(receive, bins, site, other_site, clerk, at):
    receive(0, 40)

    def send(index, number):
        return send_shims(site=site, target=other_site, actor=clerk, at=at, shims=[in_bin(bins[0])])

    at_once(4, ROUNDS, send, lambda number, outcomes: None)
    assert sorted(Transfer.objects.values_list("number", flat=True)) == list(range(1, 4 * ROUNDS + 1))


def test_a_hold_is_taken_over_once(receive, bins, site, tech, boss, at, family):
    receive(0, 2)
    state = {}
    names = itertools.count(1)

    def hold():
        wanted = Wanted(
            place=bins[0],
            family_id=family.id,
            thickness_nm=bins[0].size_nm,
            condition=Condition.NEW,
            quantity=2,
        )
        state["hold"] = hold_shims(
            site=site, actor=tech, at=at, lines=[wanted], reference=f"order {next(names)}"
        )

    def take(index, number):
        if index == 3:
            return release_hold(hold=state["hold"], actor=tech, at=at)
        return take_over_hold(
            hold=state["hold"], actor=boss, at=at, reference=f"rush {number} {index}", reason="leaves today"
        )

    def check(number, outcomes):
        assert tally(outcomes) == {"": 1, "wrong-state": 3}
        for left in Hold.objects.filter(state=Hold.State.HELD):
            release_hold(hold=left, actor=boss, at=at)
        assert count(bins[0]) == (2, 0)
        hold()

    hold()
    at_once(4, ROUNDS, take, check)
    assert audit() == []


def test_bins_merged_into_each_other_while_shims_come_and_are_held(
    receive, bins, site, tech, boss, at, family
):
    """A into B and B into A at once, with a delivery and a hold: one merge wins, nothing is lost."""
    Place.objects.filter(pk=bins[1].pk).update(size_nm=bins[0].size_nm)
    first, second = (Place.objects.select_related("site").get(pk=place.pk) for place in bins[:2])
    total = 6
    receive(0, total)

    def act(index, number):
        if index < 2:
            source, target = ((first, second), (second, first))[index]
            return merge_bins(source=source, target=target, actor=boss, at=at)
        if index == 2:
            return receive(0, 1)
        wanted = Wanted(
            place=first,
            family_id=family.id,
            thickness_nm=bins[0].size_nm,
            condition=Condition.NEW,
            quantity=1,
        )
        return hold_shims(site=site, actor=tech, at=at, lines=[wanted], reference=f"order {number}")

    def check(number, outcomes):
        nonlocal total
        total += outcomes[2].error is None
        in_use = Place.objects.get(pk__in=[first.pk, second.pk], retired_at=None)
        merged = [outcome.error is None for outcome in outcomes[:2]]
        assert merged.count(True) == 1, outcomes
        retired = second if in_use == first else first
        assert contents(retired) == {}
        held = 1 if outcomes[3].error is None else 0
        assert count(in_use, bins[0].size_nm) == (total, held)
        for hold in Hold.objects.filter(state=Hold.State.HELD):
            assert hold.lines.get().place == in_use
            release_hold(hold=hold, actor=boss, at=at)
        restore_bin(place=Place.objects.get(pk=retired.pk), actor=boss, at=at)
        if in_use == second:
            # Back for the next round, so that deliveries and holds find their bin.
            merge_bins(source=second, target=first, actor=boss, at=at)
            restore_bin(place=Place.objects.get(pk=second.pk), actor=boss, at=at)

    at_once(4, 2 * ROUNDS, act, check)
    assert audit() == []
