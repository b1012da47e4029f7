"""The restock rule: what is missing of what a site keeps goes on the list of what to buy, once."""

from uuid import uuid4

import pytest

from inventory.models import Need, StockMinimum
from inventory.selectors.mix import stock_mix
from inventory.services import needing
from inventory.services.catalogue import add_bin, add_supplier
from inventory.services.floor import Shims, receive_shims
from inventory.services.holds import Wanted, hold_shims
from inventory.services.minimums import set_minimum, tell_low_stock
from inventory.services.needing import add_needs, restock
from inventory.services.purchasing import Buy, mark_bought
from inventory.services.transfers import arrive_shims, send_shims
from shop.errors import Conflict, Forbidden, NotFound
from tests.concurrency.crowd import at_once

NM = 2_625_000
pytestmark = pytest.mark.django_db


@pytest.fixture
def keep(site, boss, at, family):
    def act(minimum, nm=NM):
        set_minimum(site=site, actor=boss, at=at, family=family, thickness_nm=nm, minimum=minimum)

    return act


@pytest.fixture
def again(site, clerk, at):
    return lambda: restock(site=site, actor=clerk, at=at)


def test_what_is_missing_and_no_more(site, clerk, at, family, bins, receive, keep, again):
    receive(0, 3)
    wanted = Wanted(place=bins[0], family_id=family.pk, thickness_nm=NM, condition="new", quantity=1)
    hold_shims(site=site, actor=clerk, at=at, lines=[wanted], reference="Order 7")
    add_needs(site=site, actor=clerk, at=at, family=family, thickness_nm=NM, quantity=1)
    keep(6)  # two available, one on the list by hand
    keep(4, 2_650_000)  # none
    keep(0, 2_675_000)
    made = again()
    assert {(need.thickness_nm, need.origin, need.state) for need in made} == {
        (NM, "restock", "open"),
        (2_650_000, "restock", "open"),
    }
    assert sorted(need.thickness_nm for need in made) == [NM] * 3 + [2_650_000] * 4
    assert again() == []
    keep(7)
    assert [need.thickness_nm for need in again()] == [NM]


def test_used_shims_count_at_the_nearest_made_size_as_in_the_mix(
    site, other_site, clerk, stranger, at, family, bins, keep, again
):
    """2.634 is nearest to 2.625, 2.640 to 2.650: the steps are of 0.025."""
    shims = [
        Shims(family=family, thickness_nm=nm, condition="used", quantity=1, place=bins[index])
        for index, nm in enumerate([2_634_000, 2_640_000])
    ]
    receive_shims(site=site, actor=clerk, at=at, shims=shims)
    keep(1)
    keep(2, 2_650_000)
    mix = {row.thickness_nm: row for row in stock_mix([site.pk], at=at)}
    assert [(mix[nm].available, mix[nm].minimum) for nm in (NM, 2_650_000)] == [(1, 1), (1, 2)]
    assert tell_low_stock(site=site, at=at) == 1
    assert StockMinimum.objects.get(low_since__isnull=False).thickness_nm == 2_650_000
    assert [need.thickness_nm for need in again()] == [2_650_000]
    keep(2)
    there = add_bin(
        site=other_site, actor=stranger, at=at, code="H1", cabinet="H", row=1, column=1, family=family
    )
    sent = Shims(family=family, thickness_nm=2_622_000, condition="used", quantity=1, place=there)
    receive_shims(site=other_site, actor=stranger, at=at, shims=[sent])
    send_shims(site=other_site, actor=stranger, at=at, target=site, shims=[sent])
    assert again() == []


def test_what_is_bought_and_on_its_way_counts(site, clerk, at, family, keep, again, service):
    keep(2)
    assert len(again()) == 2
    mark_bought(
        site=site,
        actor=clerk,
        at=at,
        supplier=add_supplier(actor=service, code="norrbeck", name="Norrbeck", lead_days=1),
        buys=[Buy(family=family, thickness_nm=NM, quantity=2)],
    )
    assert not Need.objects.filter(state="open").exists()
    assert again() == []


def test_what_is_bought_for_a_job_counts_by_the_size_that_was_bought(
    site, clerk, at, family, keep, again, service
):
    """A job's need is met by a neighbour of the size that it names."""
    other = 2_650_000
    keep(1)
    keep(1, other)
    supplier = add_supplier(actor=service, code="norrbeck", name="Norrbeck", lead_days=1)
    buys = [Buy(family=family, thickness_nm=nm, quantity=1) for nm in (NM, other)]
    bought = mark_bought(site=site, actor=clerk, at=at, supplier=supplier, buys=buys)
    Need.objects.create(
        site=site,
        family=family,
        thickness_nm=NM,
        job_id=uuid4(),
        job_label="Job 4",
        valve_label="1-IN",
        created_at=at,
        line=bought.lines.get(thickness_nm=other),
        state="bought",
    )
    assert [need.thickness_nm for need in again()] == [other]


def test_what_another_site_sent_and_what_is_to_be_put_away_counts(
    site, other_site, clerk, stranger, at, family, bins, receive
):
    receive(0, 5)
    StockMinimum.objects.create(
        site=other_site, family=family, thickness_nm=NM, minimum=4, changed_at=at, changed_by="Una"
    )
    sent = Shims(family=family, thickness_nm=NM, condition="new", quantity=3, place=bins[0])
    transfer = send_shims(site=site, target=other_site, actor=clerk, at=at, shims=[sent])
    assert len(restock(site=other_site, actor=stranger, at=at)) == 1
    arrive_shims(transfer=transfer, actor=stranger, at=at)
    assert restock(site=other_site, actor=stranger, at=at) == []


@pytest.mark.django_db(transaction=True)
def test_of_two_at_once_one_puts_it_on_the_list(site, clerk, at, keep):
    keep(5)

    def ask(index, number):
        return restock(site=site, actor=clerk, at=at)

    def check(number, outcomes):
        assert [outcome.error for outcome in outcomes] == [None] * len(outcomes)
        assert Need.objects.count() == 5
        Need.objects.all().delete()

    at_once(4, 3, ask, check)


def test_a_slip_of_the_finger_fills_no_list(keep, again, monkeypatch):
    monkeypatch.setattr(needing, "MOST_TOGETHER", 20)
    keep(20)
    keep(1, 2_650_000)
    with pytest.raises(Conflict, match="21 shims are missing"):
        again()
    assert not Need.objects.exists()


def test_who_may(site, tech, stranger, at, keep):
    keep(1)
    for actor, refusal in ((tech, Forbidden), (stranger, NotFound)):
        with pytest.raises(refusal):
            restock(site=site, actor=actor, at=at)
