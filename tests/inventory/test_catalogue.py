"""Families, bins and trays, suppliers and offers: entered, refused in plain words, and by whom."""

from datetime import UTC, datetime
from decimal import Decimal
from importlib import import_module

import pytest
from django.apps import apps
from django.db import IntegrityError, connection, transaction

from inventory.compute.lengths import parse
from inventory.models import Place, PlaceEvent, ShimFamily
from inventory.services import catalogue
from shop.errors import Conflict, Forbidden, Invalid, NotFound
from tests.inventory.books import refused

pytestmark = pytest.mark.django_db


@pytest.fixture
def add_family(boss):
    def act(actor=boss, code="cap9", min_="1.200", max_="2.400", step="0.050", **more):
        fields = {"name": "9 mm cap", "form": "cap", "marking": "thousandths"} | more
        return catalogue.add_family(
            actor=actor,
            code=code,
            diameter=parse("9.0", "mm"),
            thinnest=parse(min_, "mm"),
            thickest=parse(max_, "mm"),
            step=parse(step, "mm"),
            **fields,
        )

    return act


def test_a_family_and_its_sizes(add_family):
    family = add_family()
    assert family.sizes_nm()[:2] == (1_200_000, 1_250_000)
    assert (family.min_keyed, family.max_keyed, family.step_keyed) == ("1.200 mm", "2.400 mm", "0.050 mm")


@pytest.mark.parametrize(
    ("fields", "errors"),
    [
        ({"min_": "2.400", "max_": "1.200"}, {"/min": "below the thinnest"}),
        ({"min_": "2.400"}, {"/min": "must lie below the thickest"}),
        ({"step": "0.070"}, {"/min": "not a whole number of steps"}),
        ({"step": "0.000"}, {"/min": "must be above 0"}),
        ({"marking": "hundredths", "step": "0.005"}, {"/min": "would both be stamped"}),
        ({"marking": "roman"}, {"/marking": "must be one of thousandths, hundredths, decimal"}),
        ({"form": "cube"}, {"/form": "must be one of disc_over, disc_under, cap"}),
        ({"code": "has spaces"}, {"/code": "letters, digits, - and _ only"}),
        ({"code": ""}, {"/code": "may not be empty"}),
        ({"code": "x" * 21}, {"/code": "20 is the most"}),
        ({"name": "x" * 81}, {"/name": "80 is the most"}),
        ({"name": "nul \x00"}, {"/name": "a character that is none"}),
    ],
)
def test_a_family_that_cannot_be(fields, errors, add_family):
    refused(Invalid, lambda: add_family(**fields), errors, says="The family cannot be entered: ")
    assert not ShimFamily.objects.exists()


def test_a_code_is_taken_once(add_family):
    add_family()
    refused(Invalid, add_family, {"/code": "is taken; choose another"})


def test_two_who_enter_one_code_at_the_same_moment(add_family, monkeypatch):
    """Both looked and found it free: the database tells them apart, in the shop's words."""
    add_family()
    monkeypatch.setattr(catalogue, "_refuse_taken", lambda model, code: None)
    error = refused(Conflict, add_family, says="somebody entered the same a moment ago")
    assert isinstance(error.__cause__, IntegrityError)


def test_who_enters_families(add_family, clerk, tech, stranger):
    refused(Forbidden, lambda: add_family(actor=clerk), says="may not change families")
    refused(Forbidden, lambda: add_family(actor=tech))
    # The catalogue is shared by all sites: a manager of any of them may.
    add_family(actor=stranger)


@pytest.fixture
def add_bin(site, boss, family, at):
    def act(code="B1", cabinet="B", row=1, column=1, actor=boss, **more):
        fields = {"family": family, "size_nm": 2_650_000} | more
        return catalogue.add_bin(
            site=site, actor=actor, at=at, code=code, cabinet=cabinet, row=row, column=column, **fields
        )

    return act


@pytest.mark.parametrize(
    ("fields", "errors"),
    [
        ({"code": "x" * 21}, {"/code": "20 is the most"}),
        ({"code": ""}, {"/code": "must have 1 to 20 characters"}),
        ({"code": "  "}, {"/code": "must have 1 to 20 characters"}),
        ({"code": "B\u202e1"}, {"/code": "nobody sees"}),
        ({"cabinet": "x" * 21}, {"/cabinet": "must have 1 to 20 characters"}),
        ({"cabinet": ""}, {"/cabinet": "must have 1 to 20 characters"}),
        ({"row": 0, "column": 1000}, {"/row": "must be 1 to 999", "/column": "must be 1 to 999"}),
        ({"capacity": 0}, {"/capacity": "must be 1 to 100,000"}),
        (
            {"size_nm": 2_630_000},
            {"/size": "2.630 mm is no size that disc29 is made in: the nearest made size"},
        ),
        ({"size_nm": 265_000}, {"/size": "the nearest made size is "}),
        ({"family": None}, {"/family": "is needed with a size"}),
    ],
)
def test_a_bin_that_cannot_be(fields, errors, add_bin):
    refused(Invalid, lambda: add_bin(**fields), errors)
    assert not Place.objects.filter(kind="bin").exists()


def test_a_places_code_is_taken_once_at_a_site(add_bin, site, boss):
    add_bin()
    refused(Invalid, add_bin, {"/code": "is taken"}, says="North Yard has a place B1 already")
    refused(Invalid, lambda: catalogue.add_tray(site=site, actor=boss, code="B1"), {"/code": "is taken"})


def test_a_position_has_one_bin(add_bin, site):
    first = add_bin()
    refused(Conflict, lambda: add_bin(code="B2"), {"/column": "B1 is at cabinet B, row 1, column 1"})
    Place.objects.filter(pk=first.pk).update(retired_at=datetime(2026, 3, 2, tzinfo=UTC))
    add_bin(code="B2")
    add_bin(code="B3", column=2)
    with pytest.raises(IntegrityError), transaction.atomic():
        Place.objects.filter(code="B3").update(column=1)


@pytest.mark.owner
def test_bins_that_shared_a_position_before_the_rule_are_told_apart(add_bin, site):
    """What the migration does with books that have two bins at one position."""
    for code, column in (("B3", 1), ("B1", 2), ("B2", 3), ("C1", 4)):
        add_bin(code=code, column=column)
    with connection.cursor() as cursor:
        cursor.execute("DROP INDEX one_bin_at_a_position")
    Place.objects.filter(code__in=["B1", "B2", "B3"]).update(column=1)
    migration = import_module("inventory.migrations.0019_clear_doubled_positions")
    migration.clear_doubled_positions(apps, connection.schema_editor())
    positions = {
        place.code: (place.cabinet, place.row, place.column) for place in Place.objects.filter(kind="bin")
    }
    assert positions == {"B1": ("B", 1, 1), "B2": ("", None, None), "B3": ("", None, None), "C1": ("B", 1, 4)}
    event = PlaceEvent.objects.get(place__code="B3", act=PlaceEvent.Act.RELOCATE)
    assert event.text == "From cabinet B, row 1, column 1 to no place in a cabinet: B1 is there too"


def test_who_enters_bins(add_bin, clerk, stranger, site):
    refused(Forbidden, lambda: add_bin(actor=clerk))
    refused(NotFound, lambda: add_bin(actor=stranger))
    refused(NotFound, lambda: catalogue.add_tray(site=site, actor=stranger, code="T1"))


def test_a_tray_that_cannot_be(site, boss):
    refused(
        Invalid, lambda: catalogue.add_tray(site=site, actor=boss, code=""), {"/code": "may not be empty"}
    )
    refused(Invalid, lambda: catalogue.add_tray(site=site, actor=boss, code="x" * 21), {"/code": "20 is"})


def test_suppliers_and_offers(boss, clerk, family):
    def supplier(actor=boss, **more):
        fields = {"code": "brandt", "name": "Brandt Parts", "lead_days": 2} | more
        return catalogue.add_supplier(actor=actor, **fields)

    refused(Forbidden, lambda: supplier(actor=clerk))
    refused(Invalid, lambda: supplier(code="two words"), {"/code": "letters, digits"})
    refused(Invalid, lambda: supplier(lead_days=-1), {"/lead_days": "must be 0 or more"})
    made = supplier()
    refused(Invalid, supplier, {"/code": "is taken"})

    def offer(price="4.20", currency="EUR"):
        return catalogue.add_offer(
            actor=boss, supplier=made, family=family, price=Decimal(price), currency=currency
        )

    refused(Invalid, lambda: offer("-1"), {"/price": "must be 0 or more"})
    refused(Invalid, lambda: offer("1e20"), {"/price": "has more than"})
    refused(Invalid, lambda: offer("1.00001"), {"/price": "has more than 4 decimals"})
    refused(Invalid, lambda: offer(currency="EURO"), {"/currency": "3 is the most"})
    offer()
    refused(Conflict, offer, says="Brandt Parts has a price for 29 mm disc already")
