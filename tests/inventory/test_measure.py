"""Measure a recovered shim at the inspection place, return it to a bin, or scrap it."""

from dataclasses import replace

import pytest

from inventory.compute.lengths import parse
from inventory.models import Inspection, Movement
from inventory.services.fitting import Fitted, OneShim, fit_shims, recover_shims
from inventory.services.floor import return_to_bin, scrap_shims
from inventory.services.inspecting import measure_shim
from shop.errors import Forbidden, Invalid, NotEnough, NotFound, WrongState
from shop.ids import new_id
from tests.inventory.books import contents, count, in_bin, lines_of, refused

pytestmark = pytest.mark.django_db


@pytest.fixture
def found(site, tech, at, family, bins, tray, receive):
    """Two shims came out of an engine: one measured on the job, one known by its marking only."""
    receive(0, 2)
    pulled = [
        OneShim(family_id=family.id, thickness_nm=2_600_000, condition="unmeasured"),
        OneShim(family_id=family.id, thickness_nm=2_661_000, condition="used"),
    ]
    new = OneShim(family_id=family.id, thickness_nm=bins[0].size_nm, condition="new")
    job = new_id()
    fit_shims(
        site=site,
        actor=tech,
        at=at,
        tray=tray,
        pulled=pulled,
        fitted=[Fitted(shim=new, source=bins[0])] * 2,
        job_id=job,
        document="Job 4",
    )
    recover_shims(site=site, actor=tech, at=at, tray=tray, job_id=job, document="Job 4")
    return replace(in_bin(bins[0]), thickness_nm=2_600_000, condition="unmeasured", place=None)


@pytest.fixture
def measure(site, tech, at, found):
    def act(shim=found, measured="2.594", unit="mm", face="good", actor=tech):
        return measure_shim(
            site=site,
            actor=actor,
            at=at,
            found=shim,
            measured=parse(measured, unit),
            face=face,
            marking_legible=True,
        )

    return act


def test_from_now_on_it_counts_at_its_measured_thickness(measure, places):
    inspection = measure()
    assert lines_of(inspection.movement) == [
        ("inspection", "2.600", "unmeasured", -1),
        ("inspection", "2.594", "used", 1),
    ]
    assert (inspection.movement.reason, inspection.movement.note) == ("measure", "face good")
    assert (inspection.thickness_keyed, inspection.by) == ("2.594 mm", "Ines Varga")
    assert contents(places["inspection"]) == {("2.594", "used"): (1, 0), ("2.661", "used"): (1, 0)}


def test_read_in_inches(measure, places):
    measure(measured="0.1021", unit="in")
    assert ("2.59334", "used") in contents(places["inspection"])


def test_a_reading_that_agrees_moves_nothing(measure, found):
    before = Movement.objects.count()
    inspection = measure(replace(found, thickness_nm=2_661_000, condition="used"), "2.661")
    assert inspection.movement is None
    assert Movement.objects.count() == before


def test_a_shim_that_is_not_there_cannot_be_inspected(measure, found):
    missing = replace(found, thickness_nm=2_700_000)
    refused(NotEnough, lambda: measure(missing), {"/found": "asked from inspection, 0 available"})
    agreed = replace(found, thickness_nm=2_700_000, condition="used")
    refused(
        NotEnough,
        lambda: measure(agreed, "2.700"),
        {"/found": "no used shim of 2.700 mm is at the inspection"},
    )
    assert not Inspection.objects.exists()


def test_the_same_shim_is_measured_once(measure):
    measure()
    refused(NotEnough, measure, {"/found": "0 available"})
    assert Inspection.objects.count() == 1


def test_bad_readings(measure, found):
    error = refused(
        Invalid,
        lambda: measure(measured="0.2594", face="shiny"),
        {"/face": "must be one of good, marked, pitted", "/thickness": "0.2594 mm is not plausible"},
    )
    assert error.message.startswith(
        "Nothing was booked: face: must be one of good, marked, pitted; thickness: "
    )
    refused(Invalid, lambda: measure(measured="2.594", unit="in"), {"/thickness": "mm"})
    refused(Invalid, lambda: measure(measured="3.9"), {"/thickness": "more than 0.1 mm outside its family"})
    refused(Invalid, lambda: measure(replace(found, condition="new")), {"/found": "must be a used shim"})


def test_everybody_of_the_site_inspects(measure, clerk, stranger):
    refused(NotFound, lambda: measure(actor=stranger))
    measure(actor=clerk)


@pytest.fixture
def back(site, tech, at):
    def act(*shims, actor=tech):
        return return_to_bin(site=site, actor=actor, at=at, shims=shims)

    return act


def test_return_to_a_bin(back, measure, found, bins, places):
    measure()
    movement = back(in_bin(bins[0], thickness_nm=2_594_000, condition="used"))
    assert lines_of(movement) == [("inspection", "2.594", "used", -1), ("A1", "2.594", "used", 1)]
    assert movement.reason == "return_to_bin"
    assert count(bins[0], 2_594_000, "used") == (1, 0)


def test_an_unmeasured_shim_goes_into_no_bin(back, found, bins):
    shim = replace(found, place=bins[0])
    refused(WrongState, lambda: back(shim), says="Measure the shim first")


def test_returned_twice(back, found, bins):
    shim = in_bin(bins[1], thickness_nm=2_661_000, condition="used")
    back(shim)
    refused(NotEnough, lambda: back(shim), {"/lines/0": "asked from inspection, 0 available"})


def test_returning_needs_a_bin_and_shims(back, found, bins, stranger):
    refused(Invalid, back, {"/lines": "name 1 to 250"})
    refused(Invalid, lambda: back(replace(found, condition="used")), {"/lines/0/bin": "name the bin"})
    refused(NotFound, lambda: back(in_bin(bins[0]), actor=stranger))


@pytest.fixture
def scrap(site, clerk, at, places, found):
    def act(*shims, actor=clerk, source=places["inspection"], note="face pitted"):
        return scrap_shims(site=site, actor=actor, at=at, source=source, shims=shims or [found], note=note)

    return act


def test_scrap(scrap, places):
    movement = scrap()
    assert lines_of(movement) == [
        ("inspection", "2.600", "unmeasured", -1),
        ("scrap", "2.600", "unmeasured", 1),
    ]
    assert (movement.reason, movement.note) == ("scrap", "face pitted")


def test_scrapped_twice(scrap):
    scrap()
    refused(NotEnough, scrap, {"/lines/0": "2.600 mm used, not measured asked from inspection, 0 available"})


@pytest.mark.parametrize("quantity", [0, -1, -5])
def test_nothing_comes_back_from_the_scrap(quantity, scrap, found):
    """A count below zero would have been a transfer the other way."""
    refused(Invalid, lambda: scrap(replace(found, quantity=quantity)), {"/lines/0/quantity": "must be 1"})


def test_scrap_wants_a_reason(scrap):
    refused(Invalid, lambda: scrap(note="  "), {"/note": "must say why"})
    refused(Invalid, lambda: scrap(note="x" * 401), {"/note": "400 is the most"})


def test_scrap_from_a_place_of_this_site(scrap, places):
    refused(Invalid, lambda: scrap(source=places["engine"]), {"/source": "must be a place of this site"})


def test_who_scraps(scrap, tech, stranger, boss):
    refused(Forbidden, lambda: scrap(actor=tech), says="may not scrap shims")
    refused(NotFound, lambda: scrap(actor=stranger))
    scrap(actor=boss)
