"""Stock as of any past moment: after every movement of a small history it is what the balances were then."""

from datetime import timedelta

import pytest

from inventory.models import Balance, Condition, Movement, Place, PlaceKind
from inventory.selectors.as_of import link_now, moment_after, moment_at, stock_as_of
from inventory.selectors.places import place_of
from inventory.services.floor import Shims, move_shims, reverse_movement, scrap_shims
from inventory.services.transfers import arrive_shims, send_shims
from shop.errors import NotFound

pytestmark = pytest.mark.django_db

NM = 2_625_000


def now_in(site):
    rows = Balance.objects.filter(site=site, on_hand__gt=0).exclude(place__kind__in=PlaceKind.outside())
    return {(row.place.code, row.thickness_nm, row.condition): row.on_hand for row in rows}


def then_in(moment, **wanted):
    return {
        (lot.place.code, lot.thickness_nm, lot.condition): lot.on_hand
        for lot in stock_as_of(moment, **wanted)
    }


@pytest.fixture
def told(site, other_site, clerk, boss, stranger, at, family, bins, receive):
    """A day's acts, an hour apart: after each, its hour and what the site's places held then."""
    snapshots = []
    hour = at

    def lot(quantity, place=None):
        return Shims(family=family, thickness_nm=NM, condition=Condition.NEW, quantity=quantity, place=place)

    def act(done):
        nonlocal hour
        hour += timedelta(hours=1)
        done(hour)
        snapshots.append((hour, link_now(site), now_in(site)))

    receive(0, 5)
    snapshots.append((at, link_now(site), now_in(site)))
    act(lambda at: move_shims(site=site, actor=clerk, at=at, source=bins[0], shims=[lot(2, bins[1])]))
    act(lambda at: scrap_shims(site=site, actor=clerk, at=at, source=bins[0], shims=[lot(1)], note="bent"))
    act(lambda at: send_shims(site=site, target=other_site, actor=clerk, at=at, shims=[lot(2, bins[1])]))
    act(lambda at: arrive_shims(transfer=site.transfers_out.get(), actor=stranger, at=at, arrived={0: 1}))
    scrapped = Movement.objects.get(reason="scrap")
    act(lambda at: reverse_movement(movement=scrapped, actor=boss, at=at, note="it was not"))
    return snapshots


def test_before_the_first_movement_there_is_nothing(told, site, at):
    moment = moment_at(site, at - timedelta(seconds=1))
    assert (moment.link, moment.at) == (0, None)
    assert stock_as_of(moment) == []


def test_at_every_hour_it_is_what_it_was(told, site):
    for hour, link, stock in told:
        for time in (hour, hour + timedelta(minutes=59)):
            moment = moment_at(site, time)
            assert moment.link == link
            assert then_in(moment) == stock


def test_after_every_movement_it_is_what_it_was(told, site):
    by_link = {link: stock for _, link, stock in told[::-1]}
    for movement in Movement.objects.filter(site=site):
        moment = moment_after(site, movement.seq)
        # What the other site took out of transit comes after the sending and before the reversal.
        assert then_in(moment) == by_link[moment.link]
    last = Movement.objects.filter(site=site).latest("seq")
    assert then_in(moment_after(site, last.seq)) == now_in(site)


def test_what_is_in_transit_leaves_when_the_other_site_takes_it_in(told, site):
    transit = place_of(site, PlaceKind.TRANSIT)
    in_transit = [
        sum(lot.on_hand for lot in stock_as_of(moment_at(site, hour), place=transit)) for hour, _, _ in told
    ]
    assert in_transit == [0, 0, 0, 2, 1, 1]


def test_one_place_one_family_and_the_outside(told, site, family, bins, at):
    moment = moment_at(site, at + timedelta(hours=2))
    assert then_in(moment, place=bins[0]) == {("A1", NM, "new"): 2}
    assert then_in(moment, family=family) == then_in(moment)
    outside = then_in(moment, kinds=frozenset({PlaceKind.SUPPLIER, PlaceKind.SCRAP}))
    assert outside == {("supplier", NM, "new"): -5, ("scrap", NM, "new"): 1}


def test_a_clock_that_was_put_back_changes_no_order(site, clerk, at, family, bins, receive):
    """The chain orders movements: a shim is never gone from a place before it came there."""
    receive(0, 5)
    shims = Shims(family=family, thickness_nm=NM, condition=Condition.NEW, quantity=5, place=bins[1])
    move_shims(site=site, actor=clerk, at=at - timedelta(hours=9), source=bins[0], shims=[shims])
    assert then_in(moment_at(site, at - timedelta(hours=5))) == {("A2", NM, "new"): 5}
    assert then_in(moment_after(site, Movement.objects.earliest("seq").seq)) == {("A1", NM, "new"): 5}


def test_another_site_s_movement_is_no_moment_of_this_one(told, site, other_site):
    foreign = Movement.objects.get(site=other_site)
    with pytest.raises(NotFound, match=f"North Yard has no movement {foreign.seq}"):
        moment_after(site, foreign.seq)


def test_as_many_queries_however_much_there_is(told, site, django_assert_num_queries, bins):
    moment = moment_at(site, told[-1][0])
    with django_assert_num_queries(3):
        assert len(stock_as_of(moment)) == 2
    assert Place.objects.filter(site=site).count() > 3
