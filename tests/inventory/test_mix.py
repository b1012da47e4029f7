"""What the drawers should hold, read off the books of a site."""

from datetime import timedelta
from decimal import Decimal
from fractions import Fraction

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.models import Place
from inventory.selectors.mix import UNSOLD_LEAD_DAYS, stock_mix
from inventory.services.catalogue import add_bin, add_offer, add_supplier, add_tray
from inventory.services.fitting import Fitted, OneShim, fit_shims
from inventory.services.floor import Shims, receive_shims, reverse_movement
from inventory.services.holds import Wanted, hand_back_hold, hand_out_hold, hold_shims
from inventory.services.minimums import set_minimum
from inventory.services.outside_fit import fit_hold
from inventory.services.terms import PartRow, set_part_prices
from shop.ids import new_id

NM = 2_625_000
pytestmark = pytest.mark.django_db


@pytest.fixture
def seen(site, at, family):
    """The row of a size, 90 days after the first day of the books."""

    def look(nm=NM, **asked):
        rows = stock_mix([site.pk], at=at + timedelta(days=90), **asked)
        return next((row for row in rows if row.thickness_nm == nm), None)

    return look


@pytest.fixture
def put(site, service, at, family, bins):
    def act(nm, quantity, condition="new", place=0):
        line = {"family": family, "thickness_nm": nm, "condition": condition, "quantity": quantity}
        shims = [Shims(**line, place=bins[place])]
        receive_shims(site=site, actor=service, at=at, shims=shims)

    return act


@pytest.fixture
def engine(site, service, at, family, bins):
    """Fit shims of the first bin by way of a tray: what is handed out, pulled and put into an engine."""
    numbers = iter(range(100))

    def act(out=(), fitted=(), pulled=(), day=10, back=False):
        then = at + timedelta(days=day)
        job, tray = new_id(), add_tray(site=site, actor=service, code=f"X{next(numbers)}")
        common = {"site": site, "actor": service, "at": then}
        holds = []
        if out:
            wanted = [
                Wanted(place=bins[0], family_id=family.pk, thickness_nm=nm, condition=condition, quantity=1)
                for nm, condition in out
            ]
            hold = hold_shims(**common, lines=wanted, reference="Job", job_id=job)
            holds = [hand_out_hold(hold=hold, actor=service, at=then, tray=tray)]
            if back:
                hand_back_hold(hold=holds[0], actor=service, at=then)
        if fitted:
            fit_shims(
                **common,
                tray=tray,
                pulled=[OneShim(family_id=family.pk, thickness_nm=nm, condition=of) for nm, of in pulled],
                fitted=[
                    Fitted(shim=OneShim(family_id=family.pk, thickness_nm=nm, condition=of))
                    for nm, of in fitted
                ],
                holds=holds,
                job_id=job,
                document="Job",
            )

    return act


def test_what_jobs_took_and_nothing_else(put, engine, seen):
    put(NM, 6)
    put(NM - 9_000, 3, "used")
    assert seen().taken == 0
    engine(out=[(NM, "new")] * 2, fitted=[(NM, "new")])  # the other was not needed
    assert seen().taken == 1
    engine(out=[(NM - 9_000, "used")], fitted=[(NM - 9_000, "used")])  # stood in for its grade
    assert seen().taken == 2
    engine(pulled=[(NM, "used")], fitted=[(NM, "used")])  # a swap
    engine(out=[(NM, "new")], back=True)
    row = seen()
    assert (row.taken, row.new, row.used) == (2, 4, 2)
    assert row.proposal.why.startswith("Fitted 2 in 12 weeks, 1.")


def test_a_fit_from_the_drawer_of_no_job_here(site, clerk, at, family, bins, put, seen):
    put(NM, 2, "used")
    wanted = Wanted(place=bins[0], family_id=family.pk, thickness_nm=NM, condition="used", quantity=2)
    hold = hold_shims(site=site, actor=clerk, at=at, lines=[wanted], reference="calculator 4")
    fit_hold(hold=hold, actor=clerk, at=at, fitted={0: 1})
    assert seen().taken == 1


def test_what_was_reversed_says_nothing(site, boss, service, at, family, bins, put, seen):
    put(NM, 2)
    wanted = Wanted(place=bins[0], family_id=family.pk, thickness_nm=NM, condition="new", quantity=1)
    hold = hold_shims(site=site, actor=service, at=at, lines=[wanted], reference="calculator 4")
    fit_hold(hold=hold, actor=service, at=at)
    assert seen().taken == 1
    reverse_movement(movement=site.movements.latest("seq"), actor=boss, at=at, note="keyed in twice")
    assert seen().taken == 0


def test_only_the_time_looked_back_over(put, engine, site, at, family):
    put(NM, 5)
    for day in (10, 80):
        engine(out=[(NM, "new")], fitted=[(NM, "new")], day=day)

    def taken(**asked):
        return [row.taken for row in stock_mix([site.pk], at=at + timedelta(days=90), **asked)]

    assert (sum(taken()), sum(taken(months=2))) == (2, 1)


def test_beside_it_stands_what_is_kept_and_what_lies_there(put, engine, seen, site, boss, at, family):
    put(NM, 30)
    for day in range(1, 80, 4):
        engine(out=[(NM, "new")], fitted=[(NM, "new")], day=day)
    set_minimum(site=site, actor=boss, at=at, family=family, thickness_nm=NM, minimum=1)
    row = seen()
    assert (row.on_hand, row.available, row.minimum, row.changes) == (10, 10, 1, True)
    # 20 in 90 days, of which 20 / 11 go to the neighbours: 18.2 in 64.3 working days, 2.83 in 10 days.
    assert row.proposal.expected == 20 - Fraction(20, 11)
    assert row.proposal.protection_days == UNSOLD_LEAD_DAYS + 5
    assert (row.proposal.proposed, row.proposal.chance) == (7, 97)
    assert seen(service=Decimal("0.99")).proposal.proposed > 7
    assert seen(2_650_000).proposal.proposed == 2
    assert seen(2_650_000).taken == 0
    assert seen(2_700_000) is None


def test_the_slowest_who_sells_it_and_the_room_that_there_is(put, engine, seen, service, at, family, bins):
    put(NM, 30)
    for day in range(1, 80, 4):
        engine(out=[(NM, "new")], fitted=[(NM, "new")], day=day)
    quick, slow = (
        add_supplier(actor=service, code=code, name=code, lead_days=days)
        for code, days in (("quick", 1), ("slow", 9))
    )
    add_offer(actor=service, supplier=quick, family=family, price=Decimal("4.10"), currency="EUR")
    assert seen().lead_days == 1
    part = {"part_number": "P", "family": family, "price": Decimal(5), "valid_from": at.date()}
    set_part_prices(actor=service, supplier=slow, rows=[PartRow(**part, thickness_nm=NM)])
    assert (seen().lead_days, seen(2_650_000).lead_days) == (9, 1)
    before = seen().proposal.proposed
    Place.objects.filter(pk=bins[0].pk).update(capacity=4)
    assert (before > 4, seen().proposal.proposed) == (True, 4)
    assert seen().proposal.why.endswith("and its bins take 4.")


def test_what_to_stop_buying_and_its_worth(put, seen, service, family):
    put(NM, 3)
    put(NM, 4, "used")
    row = seen()
    assert (row.proposal.beyond, row.beyond_worth) == (7, None)
    shop = add_supplier(actor=service, code="norrbeck", name="Norrbeck", lead_days=1)
    add_offer(actor=service, supplier=shop, family=family, price=Decimal("4.10"), currency="EUR")
    assert (seen().beyond_worth, seen().currency) == (Decimal("20.50"), "EUR")  # 3 × 4.10 + 4 × 2.05
    assert seen().proposal.why_beyond == "7 lie there, none would do for the next 24 months: stop buying it."


def test_each_site_has_its_own(put, engine, site, other_site, service, at, family):
    put(NM, 2)
    engine(out=[(NM, "new")], fitted=[(NM, "new")])
    there = add_bin(
        site=other_site,
        actor=service,
        at=at,
        code="Z1",
        cabinet="Z",
        row=1,
        column=1,
        family=family,
        size_nm=NM,
    )
    shims = [Shims(family=family, thickness_nm=NM, condition="new", quantity=1, place=there)]
    receive_shims(site=other_site, actor=service, at=at, shims=shims)

    def rows(*sites):
        found = stock_mix([each.pk for each in sites], at=at + timedelta(days=90))
        return {(row.site.code, row.taken, row.on_hand) for row in found if row.thickness_nm == NM}

    assert rows(other_site) == {(other_site.code, 0, 1)}
    assert rows(site, other_site) == rows(site) | rows(other_site)
    assert stock_mix([], at=at) == []
    assert rows() == set()


def test_as_many_queries_whatever_there_is(put, engine, site, other_site, at, service, bins, family):
    def asked(*sites):
        with CaptureQueriesContext(connection) as captured:
            rows = stock_mix([each.pk for each in sites], at=at + timedelta(days=90))
        return len(captured), len(rows)

    put(NM, 1)
    few, one = asked(site)
    for place, nm in enumerate((2_650_000, 2_675_000, 2_700_000), start=1):
        put(nm, 3, place=place)
    engine(out=[(NM, "new")], fitted=[(NM, "new")])
    many, several = asked(site, other_site)
    assert (many, several > one) == (few, True)
