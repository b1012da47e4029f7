"""P5: an act asks the database 12 questions at most, and 2 more for each line that a person keyed in."""

from dataclasses import replace
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.compute.lengths import parse
from inventory.models import Movement
from inventory.services.catalogue import add_supplier
from inventory.services.fitting import Fitted, OneShim, fit_shims, recover_shims
from inventory.services.floor import (
    count_in,
    move_shims,
    put_away,
    receive_shims,
    return_to_bin,
    reverse_movement,
    scrap_shims,
)
from inventory.services.holds import (
    Wanted,
    expire_due_holds,
    extend_hold,
    hand_back_hold,
    hand_out_hold,
    hold_shims,
    release_hold,
)
from inventory.services.inspecting import measure_shim
from inventory.services.outside_fit import fit_hold
from inventory.services.purchasing import Buy, Lack, cancel_purchase, mark_bought, note_needs
from inventory.services.receiving import receive_purchase
from shop.ids import new_id
from tests.inventory.books import in_bin

pytestmark = pytest.mark.django_db
BOOKKEEPING = ("SAVEPOINT", "RELEASE", "BEGIN", "ROLLBACK", "COMMIT")


@pytest.fixture
def asks():
    """Run an act; how many questions it asked, transactions' own statements apart."""

    def act(service, **arguments):
        with CaptureQueriesContext(
            connection,
        ) as captured:
            service(**arguments)
        return len([q for q in captured.captured_queries if not q["sql"].startswith(BOOKKEEPING)])

    return act


@pytest.fixture
def common(site, service, at):
    return {"site": site, "actor": service, "at": at}


@pytest.fixture(params=[1, 12, 40])
def lines(request, bins, common):
    """So many different shims in the first bin, and as many in receiving and at inspection."""
    shims = [replace(in_bin(bins[0], 4), thickness_nm=2_000_000 + 25_000 * n) for n in range(request.param)]
    receive_shims(**common, shims=shims)
    receive_shims(**common, shims=[replace(line, place=None) for line in shims])
    return shims


@pytest.fixture
def hold(lines, common):
    return hold_shims(**common, lines=wanted(lines), reference="Job 4", job_id=new_id())


def wanted(lines):
    return [
        Wanted(
            place=line.place,
            family_id=line.family.id,
            thickness_nm=line.thickness_nm,
            condition="new",
            quantity=1,
            label=f"{index}",
        )
        for index, line in enumerate(lines)
    ]


def allowed(lines):
    return 12 + 2 * len(lines)


@pytest.mark.parametrize("act", [receive_shims, count_in, put_away])
def test_into_bins(act, asks, common, lines, bins):
    more = {"note": "x"} if act is count_in else {}
    assert asks(act, **common, shims=lines, **more) <= allowed(lines)


def test_move_and_scrap(asks, common, lines, bins):
    there = [replace(line, place=bins[1], quantity=1) for line in lines]
    assert asks(move_shims, **common, source=bins[0], shims=there) <= allowed(lines)
    assert asks(scrap_shims, **common, source=bins[0], shims=there, note="pitted") <= allowed(lines)


def test_reverse(asks, common, lines):
    first = Movement.objects.order_by("seq").first()
    arguments = {"movement": first, "actor": common["actor"], "at": common["at"], "note": "twice"}
    assert asks(reverse_movement, **arguments) <= allowed(lines)


def test_hold_and_what_follows(asks, common, lines, tray):
    arguments = {"actor": common["actor"], "at": common["at"]}
    assert asks(hold_shims, **common, lines=wanted(lines), reference="Job 4", job_id=new_id()) <= allowed(
        lines
    )
    hold = hold_shims(**common, lines=wanted(lines), reference="Job 4")
    assert asks(extend_hold, hold=hold, **arguments, expires_in=timedelta(days=2)) <= 12
    assert asks(hand_out_hold, hold=hold, tray=tray, **arguments) <= allowed(lines)
    assert asks(hand_back_hold, hold=hold, **arguments) <= allowed(lines)
    hold = hold_shims(**common, lines=wanted(lines), reference="Job 4")
    assert asks(release_hold, hold=hold, **arguments) <= allowed(lines)
    hold = hold_shims(**common, lines=wanted(lines), reference="Job 4")
    assert asks(fit_hold, hold=hold, **arguments) <= allowed(lines)


def test_the_sweep(asks, hold, lines, site):
    assert asks(expire_due_holds, site=site, at=hold.expires_at) <= allowed(lines)


def test_fit_and_recover(asks, common, hold, lines, tray):
    """Each valve has a shim that comes out and one that goes in: two lines of what the person did."""
    held = list(hold.lines.order_by("position"))
    fitted = [
        Fitted(
            shim=OneShim(family_id=line.family_id, thickness_nm=line.thickness_nm, condition="new"),
            hold_line=line,
        )
        for line in held
    ]
    pulled = [replace(item.shim, condition="used") for item in fitted]
    arguments = {**common, "tray": tray, "job_id": hold.job_id, "document": "Job 4"}
    count = asks(fit_shims, **arguments, pulled=pulled, fitted=fitted, holds=[hold])
    assert count <= 12 + 2 * (len(pulled) + len(fitted))
    assert asks(recover_shims, **arguments) <= allowed(lines)


def test_measure_and_return(asks, common, bins, family, tray):
    shim = OneShim(family_id=family.id, thickness_nm=2_600_000, condition="unmeasured")
    receive_shims(**common, shims=[in_bin(bins[0])])
    new = OneShim(family_id=family.id, thickness_nm=bins[0].size_nm, condition="new")
    arguments = {**common, "tray": tray, "job_id": new_id(), "document": "Job 4"}
    fit_shims(**arguments, pulled=[shim], fitted=[Fitted(shim=new, source=bins[0])])
    recover_shims(**arguments)
    found = replace(in_bin(bins[0]), thickness_nm=2_600_000, condition="unmeasured")
    reading = {"measured": parse("2.594", "mm"), "face": "good", "marking_legible": True}
    assert asks(measure_shim, **common, found=found, **reading) <= 14
    back = [in_bin(bins[0], thickness_nm=2_594_000, condition="used")]
    assert asks(return_to_bin, **common, shims=back) <= 14


def test_purchasing(asks, common, lines, family, site, at, service):
    supplier = add_supplier(actor=service, code="brandt", name="Brandt Parts", lead_days=2)
    job = new_id()
    needs = {
        "site": site,
        "at": at,
        "family": family,
        "job_id": job,
        "job_label": "Job 4",
        "needed_by": None,
        "lacks": [Lack(thickness_nm=line.thickness_nm, valve_label="1") for line in lines],
    }
    assert asks(note_needs, **needs) <= 12
    buys = [Buy(family=family, thickness_nm=line.thickness_nm, quantity=2) for line in lines]
    assert asks(mark_bought, **common, supplier=supplier, buys=buys) <= allowed(lines)
    bought = mark_bought(**common, supplier=supplier, buys=buys)
    assert asks(cancel_purchase, purchase_list=bought, actor=service, at=at) <= 12
    bought = mark_bought(**common, supplier=supplier, buys=buys)
    received = {line.pk: 2 for line in bought.lines.all()}
    count = asks(receive_purchase, purchase_list=bought, actor=service, at=at, received=received)
    # One job more costs a hold, its lines, its needs and its waking.
    assert count <= allowed(lines) + 4
