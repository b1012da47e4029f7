"""P5: how many questions a page asks the database does not grow with its rows."""

from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.models import Condition, PlaceKind
from inventory.selectors.places import place_of
from inventory.services.catalogue import add_bin, add_supplier
from inventory.services.count_posting import reject_count
from inventory.services.counting import begin_count, key_count, open_counts
from inventory.services.floor import Shims, receive_shims
from inventory.services.ledger import post_movement, transfer
from inventory.services.purchasing import Buy, Lack, mark_bought, note_needs
from inventory.services.terms import set_rate
from shop.actor import service_actor
from shop.db import atomic_write
from shop.ids import new_id
from tests.counting import in_it
from tests.jobs.shop import AT, NEW, make_engine, mm
from tests.ui.furnished import READ, TIGHT

pytestmark = pytest.mark.django_db
LISTS = (
    "board",
    "check",
    "jobs",
    "open_job",
    "savings",
    "vehicles",
    "stock",
    "bins",
    "add_bin",
    "counter",
    "put_away",
    "inspection",
    "counts",
    "open_counts",
    "past_counts",
    "count_variance",
    "movements",
    "holds",
    "history",
    "journeys",
    "stale",
    "to_buy",
    "mix",
    "purchases",
    "drafts",
    "suppliers",
    "rates",
)


def asked(browser, name, *args):
    browser.get(name, *args)  # what is asked once per process is asked now
    with CaptureQueriesContext(connection) as captured:
        assert browser.get(name, *args).status_code == 200
    return len(captured)


def grow(shop):
    """Several more of everything that a list shows."""
    workshop, site, family = shop.workshop, shop.site, shop.workshop.family
    for number in range(4):
        workshop.read(workshop.job(), READ, TIGHT)
        add_bin(
            site=site,
            actor=service_actor(),
            at=AT,
            code=f"G{number}",
            cabinet=f"G{number}",
            row=number + 1,
            column=1,
            family=family,
            size_nm=mm("2.300").nm + 25_000 * number,
        )
        add_supplier(actor=service_actor(), code=f"more{number}", name=f"More {number}", lead_days=1)
        code = ("SEK", "NOK", "DKK", "CHF")[number]
        set_rate(actor=service_actor(), at=AT, currency=code, rate=Decimal("0.09"))
        receive_shims(
            site=site,
            actor=shop.clerk,
            at=AT,
            shims=[
                Shims(family=family, thickness_nm=mm("2.700").nm + 25_000 * number, condition=NEW, quantity=1)
            ],
        )
        _recover(site, family, mm("2.400").nm + 1_000 * number)
        note_needs(
            site=site,
            at=AT,
            family=family,
            job_id=new_id(),
            job_label=f"Job 9{number}",
            needed_by=None,
            lacks=[Lack(thickness_nm=mm("2.100").nm + 25_000 * number, valve_label="1-IN")],
        )
        mark_bought(
            site=site,
            actor=shop.clerk,
            at=AT,
            supplier=shop.bought.supplier,
            buys=[
                Buy(family=family, thickness_nm=mm("2.100").nm + 25_000 * n, quantity=2) for n in (5, 6, 7)
            ],
        )
    workshop.stock(*[(f"2.{number}00", NEW, 2) for number in (1, 2, 3, 4)])
    _count(shop)


def _count(shop):
    """Of four bins two are being counted, one has been found to differ, and one so and rejected."""
    site, tech, clerk = shop.site, shop.workshop.tech, shop.clerk
    places = [shop.workshop.bin(f"2.{number}00") for number in (1, 2, 3, 4)]
    counts = open_counts(site=site, actor=clerk, at=AT, places=places)
    for count in counts[:2]:
        begin_count(count=count, actor=tech, at=AT)
    for count in counts[2:]:
        for person in (tech, clerk):
            differing = key_count(count=count, actor=person, at=AT, found=in_it(count.place, -1))
    reject_count(count=differing, actor=clerk, at=AT, note="the wrong drawer")


def _recover(site, family, thickness_nm):
    with atomic_write():
        post_movement(
            site=site,
            reason="recover",
            actor=service_actor(),
            at=AT,
            lines=[
                line
                for condition in (Condition.USED, Condition.UNMEASURED)
                for line in transfer(
                    source=place_of(site, PlaceKind.ENGINE),
                    target=place_of(site, PlaceKind.INSPECTION),
                    family_id=family.pk,
                    thickness_nm=thickness_nm,
                    condition=condition,
                    quantity=1,
                )
            ],
        )


def test_lists_ask_as_much_for_many_rows_as_for_few(shop, office):
    things = {
        "family": ("family", "disc29"),
        "bin": ("bin", shop.workshop.bin("2.500").pk),
        "vehicle": ("vehicle", shop.jobs["signed_off"].vehicle_id),
        "plan": ("plan", shop.jobs["planned"].pk),
        "purchase": ("purchase", shop.bought.pk),
        "story of a bin": ("story", "bin", shop.workshop.bin("2.500").pk),
        "story of a size": ("story", "size", "disc29-2500000"),
        "story of a job": ("job_history", shop.jobs["fitted"].pk),
    }
    few = {name: asked(office, name) for name in LISTS}
    few |= {name: asked(office, *page) for name, page in things.items()}
    grow(shop)
    many = {name: asked(office, name) for name in LISTS}
    many |= {name: asked(office, *page) for name, page in things.items()}
    assert many == few


def test_a_blind_sheet_of_many_lots_asks_as_much_as_one_of_few(shop, office, workshop, boss):
    place = workshop.bin("2.500")
    (count,) = open_counts(site=shop.site, actor=boss, at=AT, places=[place])
    begin_count(count=count, actor=boss, at=AT)
    few = asked(office, "count", count.pk)
    for number in range(6):
        workshop.bins[f"2.50{number + 1}"] = place
        workshop.stock((f"2.50{number + 1}", Condition.USED, 1))
    begin_count(count=count, actor=boss, at=AT)
    assert "2.506 mm" in office.get("count", count.pk).content.decode()
    assert asked(office, "count", count.pk) == few


def test_a_job_of_many_valves_asks_as_much_as_one_of_few(shop, office, workshop):
    pages = ("job", "readings", "shims", "plan", "fitting", "sign_off", "paper")
    small = workshop.read(workshop.job(), READ, TIGHT)
    big = workshop.job(
        vehicle=workshop.vehicle(
            "BIG", engine=make_engine(workshop.family, "big", cylinders=12, banks=2, intake=2, exhaust=2)
        )
    )
    labels = [valve.label for valve in big.valves.all()]
    big = workshop.read(
        big,
        {
            label: ("5 thou" if label == "1-IN-L" else "8 thou" if "IN" in label else "12 thou")
            for label in labels
        },
        dict.fromkeys(labels, "2.650 mm"),
    )
    for job in (small, big):
        workshop.held(job)
    assert {name: asked(office, name, small.pk) for name in pages} == {
        name: asked(office, name, big.pk) for name in pages
    }
