"""The inspection on its pages: two units, two readings, and the proposal taken with one press."""

import re

import pytest
from django.utils import timezone

from inventory.compute.sizes import grade_of
from inventory.models import Balance, Condition, Inspection, Movement, Place, PlaceKind
from inventory.selectors.places import place_of
from inventory.services.catalogue import add_bin
from inventory.services.floor import reverse_movement
from inventory.services.ledger import post_movement, transfer
from shop.db import atomic_write
from tests.jobs.shop import AT, mm
from tests.ui.pages import fields_of, text_of, wrong_fields

pytestmark = pytest.mark.django_db


@pytest.fixture
def drawer(shop, workshop, service):
    """A bin where 2.700 belongs."""
    return add_bin(
        site=shop.site,
        actor=service,
        at=AT,
        code="D70",
        cabinet="D",
        row=1,
        column=1,
        family=workshop.family,
        size_nm=mm("2.700").nm,
    )


@pytest.fixture
def lot(shop):
    return Balance.objects.get(
        place__kind=PlaceKind.INSPECTION, condition=Condition.UNMEASURED, on_hand__gt=0
    )


@pytest.fixture
def inspect(lot):
    def act(browser, **keyed):
        asked = fields_of(browser.get("measure", lot.pk))
        return browser.post("measure", lot.pk, **asked | {"face": "good"} | keyed)

    return act


def stamp(at):
    return f"{timezone.localtime(at):%-d %b, %H:%M}"


@pytest.fixture
def three(lot, service):
    """Three alike on the bench that nobody has measured."""
    _onto_bench(lot, service, "engine", lot.thickness_nm, lot.condition, 2)
    return lot


def _onto_bench(lot, service, source, thickness_nm, condition, quantity):
    with atomic_write():
        post_movement(
            site=lot.site,
            reason="move",
            actor=service,
            at=AT,
            lines=transfer(
                source=place_of(lot.site, source),
                target=lot.place,
                family_id=lot.family_id,
                thickness_nm=thickness_nm,
                condition=condition,
                quantity=quantity,
            ),
        )


def on_bench(lot):
    lot.refresh_from_db()
    return lot.on_hand


def test_two_readings_in_both_units_their_spread_and_one_press(inspect, bay_tablet, drawer, lot):
    page = inspect(bay_tablet, unit="in", reading_0="0.1061", reading_1="2.697 mm", marking_legible="on")
    words = text_of(page)
    assert "0.1061 in, 2.697 mm" in words
    assert "Spread 0.002060 mm" in words or "Spread 0.00206 mm" in words
    assert "Put it into D70" in words
    made = Inspection.objects.latest("at", "id")
    assert (made.spread_nm, made.proposed_bin) == (2_060, drawer)
    asked = fields_of(page)
    again = bay_tablet.post("inspected", made.pk, **asked)
    assert "is in bin D70." in text_of(again)
    assert Balance.objects.get(place=drawer, on_hand=1).thickness_nm == made.thickness_nm


def test_readings_that_disagree_ask_for_a_third(inspect, bay_tablet, lot):
    page = inspect(bay_tablet, reading_0="2.690", reading_1="2.702")
    assert page.status_code == 400
    assert wrong_fields(page) == ["reading_2"]
    assert "take a third" in text_of(page)
    assert fields_of(page)["reading_1"] == "2.702"
    assert on_bench(lot) == 1
    assert "Inspected" in text_of(
        bay_tablet.post("measure", lot.pk, **fields_of(page) | {"reading_2": "2.691"})
    )


def test_a_pitted_face_needs_no_reading_and_is_scrapped_with_one_press(inspect, counter_screen, lot):
    page = inspect(counter_screen, face="pitted")
    assert "The face is pitted" in text_of(page)
    made = Inspection.objects.latest("at", "id")
    again = counter_screen.post("inspected", made.pk, **fields_of(page))
    assert "scrapped." in text_of(again)
    assert on_bench(lot) == 0
    assert Movement.objects.latest("seq").note == "The face is pitted: it would wear the cam or the bucket."


def test_what_no_bin_takes_can_be_scrapped_where_it_is_shown(inspect, counter_screen, bay_tablet, drawer):
    for bin_ in Place.objects.filter(site=drawer.site, kind=PlaceKind.BIN):
        bin_.retired_at = AT
        bin_.save()
    page = inspect(counter_screen, reading_0="2.700")
    assert "No bin has room for it." in text_of(page)
    made = Inspection.objects.latest("at", "id")
    measured = Balance.objects.get(
        place__kind=PlaceKind.INSPECTION, condition=Condition.USED, thickness_nm=made.thickness_nm
    )
    address = f"/places/{measured.place_id}/scrap?lot={measured.pk}"
    assert address in page.content.decode()
    # A technician may look, and gives it to the counter.
    assert address not in bay_tablet.get("inspected", made.pk).content.decode()
    scrap = fields_of(counter_screen.get("scrap", measured.place_id, lot=measured.pk))
    again = counter_screen.post(
        "scrap", measured.place_id, **scrap | {"lot": measured.pk, "quantity": 1, "note": "no bin"}
    )
    assert "1 shim scrapped." in text_of(again)
    Place.objects.update(retired_at=None)  # for the audit: they hold shims


def test_a_pitted_one_is_found_and_scrapped_from_the_history_too(inspect, counter_screen, lot, shop):
    inspect(counter_screen, face="pitted")
    made = Inspection.objects.latest("at", "id")
    size = grade_of(lot.family.range, lot.thickness_nm)
    story = counter_screen.get("story", "size", f"{lot.family.code}-{size}")
    assert f"/inspection/{made.pk}" in story.content.decode()
    page = counter_screen.get("inspected", made.pk)
    assert "Scrap it" in text_of(page)
    assert "scrapped." in text_of(counter_screen.post("inspected", made.pk, **fields_of(page)))
    assert on_bench(lot) == 0
    page = text_of(counter_screen.get("inspected", made.pk))
    assert f"Scrapped {stamp(Movement.objects.latest('seq').at)} by " in page
    assert "Scrap it" not in page


def test_no_reading_of_a_good_face_is_asked_for(inspect, bay_tablet, lot):
    page = inspect(bay_tablet)
    assert page.status_code == 400
    assert wrong_fields(page) == ["reading_0"]
    assert on_bench(lot) == 1


def test_a_technician_gives_scrap_to_the_counter(inspect, bay_tablet, lot):
    page = inspect(bay_tablet, face="pitted")
    assert "Give it to the counter" in text_of(page)
    made = Inspection.objects.latest("at", "id")
    assert bay_tablet.post("inspected", made.pk, **fields_of(page)).status_code == 403
    assert on_bench(lot) == 1


def test_a_proposal_is_taken_once(inspect, bay_tablet, drawer):
    page = inspect(bay_tablet, reading_0="2.700")
    made, asked = Inspection.objects.latest("at", "id"), fields_of(page)
    bay_tablet.post("inspected", made.pk, **asked)
    again = bay_tablet.post("inspected", made.pk, **asked)
    assert "nothing was booked twice" in text_of(again)
    assert sum(b.on_hand for b in Balance.objects.filter(place=drawer)) == 1


def test_one_look_scraps_one_shim_however_often_it_is_asked(inspect, counter_screen, three):
    stale = fields_of(inspect(counter_screen, face="pitted"))
    made = Inspection.objects.latest("at", "id")
    fresh = fields_of(counter_screen.get("inspected", made.pk))
    counter_screen.post("inspected", made.pk, **stale)
    assert on_bench(three) == 2
    scrapped = Movement.objects.latest("seq")
    who = f"crapped {stamp(scrapped.at)} by {scrapped.actor}."
    again = counter_screen.post("inspected", made.pk, **fresh)
    assert again.status_code == 409
    assert f"this shim was already s{who}" in text_of(again)
    page = counter_screen.get("inspected", made.pk)
    assert f"S{who}" in text_of(page)
    assert "Scrap it" not in text_of(page)
    assert "once" not in fields_of(page)
    assert on_bench(three) == 2


def test_the_other_ways_from_its_page_are_its_outcome_too(inspect, counter_screen, bay_tablet, drawer, three):
    inspect(bay_tablet, reading_0="2.700")
    first = Inspection.objects.latest("at", "id")
    inspect(bay_tablet, reading_0="2.700")
    page = counter_screen.get("inspected", first.pk).content.decode()
    measured = Balance.objects.get(place=three.place, condition=Condition.USED, on_hand=2)
    returning = counter_screen.address("return", measured.pk) + f"?inspection={first.pk}"
    scrapping = f"?lot={measured.pk}&amp;inspection={first.pk}"
    assert returning in page
    assert scrapping in page
    asked = fields_of(counter_screen.client.get(returning))
    assert asked["quantity"] == "1"
    counter_screen.client.post(returning, asked)
    assert on_bench(measured) == 1
    assert "Put into bin D70 " in text_of(counter_screen.get("inspected", first.pk))
    scrapping = counter_screen.address("scrap", three.place_id) + scrapping.replace("&amp;", "&")
    asked = fields_of(counter_screen.client.get(scrapping)) | {
        "lot": measured.pk,
        "quantity": 1,
        "note": "bent",
    }
    again = counter_screen.client.post(scrapping, asked)
    assert "this shim was already put into bin D70 " in text_of(again)
    assert on_bench(measured) == 1


def test_inspected_again_the_later_look_counts(inspect, counter_screen, three):
    inspect(counter_screen, face="pitted")
    first = Inspection.objects.latest("at", "id")
    again = counter_screen.address("measure", three.pk) + f"?inspection={first.pk}"
    assert again in counter_screen.get("inspected", first.pk).content.decode()
    asked = fields_of(counter_screen.client.get(again)) | {"face": "pitted"}
    counter_screen.client.post(again, asked)
    second = Inspection.objects.exclude(pk=first.pk).latest("at", "id")
    page = counter_screen.get("inspected", first.pk)
    assert f"Inspected again {stamp(second.at)} by " in text_of(page)
    assert counter_screen.address("inspected", second.pk) in page.content.decode()
    assert "Scrap it" not in text_of(page)
    assert "Scrap it" in text_of(counter_screen.get("inspected", second.pk))


def test_a_scrapping_that_was_reversed_is_offered_again(inspect, counter_screen, service, three):
    page = inspect(counter_screen, face="pitted")
    made = Inspection.objects.latest("at", "id")
    counter_screen.post("inspected", made.pk, **fields_of(page))
    scrapped = Movement.objects.latest("seq")
    reverse_movement(movement=scrapped, actor=service, at=scrapped.at, note="the wrong one")
    page = counter_screen.get("inspected", made.pk)
    counter_screen.post("inspected", made.pk, **fields_of(page))
    assert on_bench(three) == 2
    assert "Scrapped " in text_of(counter_screen.get("inspected", made.pk))


def test_no_lot_but_that_of_the_inspection_is_scrapped(inspect, counter_screen, service, lot):
    _onto_bench(lot, service, "supplier", mm("2.350").nm, Condition.NEW, 1)
    new = Balance.objects.get(place=lot.place, condition=Condition.NEW, on_hand=1)
    page = inspect(counter_screen, face="pitted")
    made = Inspection.objects.latest("at", "id")
    counter_screen.post("inspected", made.pk, **fields_of(page) | {"lot": new.pk})
    assert (on_bench(new), on_bench(lot)) == (1, 0)


def test_a_reading_beyond_the_family_scraps_what_was_found(inspect, counter_screen, lot):
    page = inspect(counter_screen, reading_0="3.990")
    made = Inspection.objects.latest("at", "id")
    counter_screen.post("inspected", made.pk, **fields_of(page))
    assert on_bench(lot) == 0


def test_a_new_shim_is_not_offered_for_inspection(counter_screen, service, lot):
    _onto_bench(lot, service, "supplier", mm("2.350").nm, Condition.NEW, 1)
    new = Balance.objects.get(place=lot.place, condition=Condition.NEW, on_hand=1)
    page = counter_screen.get("inspection").content.decode()
    assert counter_screen.address("measure", new.pk) not in page
    assert counter_screen.address("return", new.pk) in page


def test_who_asks_to_measure_a_new_shim_reads_what_to_do_with_it_instead(counter_screen, service, lot):
    _onto_bench(lot, service, "supplier", mm("2.350").nm, Condition.NEW, 1)
    new = Balance.objects.get(place=lot.place, condition=Condition.NEW, on_hand=1)
    for page in (counter_screen.get("measure", new.pk), counter_screen.post("measure", new.pk, face="good")):
        assert page.status_code == 409
        assert "A new shim needs no inspection" in text_of(page)
        assert "reading_0" not in fields_of(page)


def test_the_overview_leads_to_what_waits_for_its_outcome(inspect, counter_screen, drawer, lot):
    inspect(counter_screen, reading_0="2.700")
    made = Inspection.objects.latest("at", "id")
    page = counter_screen.get("inspection")
    assert "face good: bin D70 is proposed" in text_of(page)
    assert counter_screen.address("inspected", made.pk) in page.content.decode()
    measured = Balance.objects.get(place=lot.place, condition=Condition.USED, thickness_nm=made.thickness_nm)
    counter_screen.post("return", measured.pk, **fields_of(counter_screen.get("return", measured.pk)))
    assert "is proposed" not in text_of(counter_screen.get("inspection"))
    made.refresh_from_db()
    assert made.taken.reason == "return_to_bin"


FIRST = re.compile(r'<div class="bar"><a class="button primary" href="([^"]+)">(?:<svg.*?</svg>)?([^<]+)<')


def first_button(page, lot):
    """The words of the first button at a lot of the page, and where it leads."""
    (entry,) = [
        each for each in page.content.decode().split('<li class="lot">') if f"/inspection/{lot.pk}/" in each
    ]
    address, words = FIRST.search(entry).groups()
    return words, address.replace("&amp;", "&")


def test_what_is_scrap_is_scrapped_first_and_kept_only_when_asked_twice(inspect, counter_screen, drawer, lot):
    inspect(counter_screen, reading_0="2.700", face="pitted")
    made = Inspection.objects.latest("at", "id")
    measured = Balance.objects.get(place=lot.place, condition=Condition.USED, thickness_nm=made.thickness_nm)
    words, address = first_button(counter_screen.get("inspection"), measured)
    assert words == "Scrap"
    assert address.endswith(f"/scrap?lot={measured.pk}&inspection={made.pk}")
    page = counter_screen.post("return", measured.pk, **fields_of(counter_screen.get("return", measured.pk)))
    assert page.status_code == 409
    assert "Scrap is proposed for the 2.700 mm" in text_of(page)
    assert "It is good: keep it all the same" in text_of(page)
    assert on_bench(measured) == 1
    again = counter_screen.post("return", measured.pk, **fields_of(page) | {"confirm": "yes"})
    assert "1 shim returned to bin D70." in text_of(again)


def test_a_full_bin_is_called_full_on_both_pages_and_proposed_on_neither(inspect, counter_screen, drawer):
    Place.objects.filter(site=drawer.site, kind=PlaceKind.BIN).update(capacity=0)
    inspect(counter_screen, reading_0="2.700")
    made = Inspection.objects.latest("at", "id")
    assert made.proposed_bin is None
    measured = Balance.objects.get(
        place__kind=PlaceKind.INSPECTION, condition=Condition.USED, thickness_nm=made.thickness_nm
    )
    page = counter_screen.get("inspection")
    assert "belongs in bin D70, which is full" in text_of(page)
    words, address = first_button(page, measured)
    assert words == "Return to a bin"
    assert "belongs in bin D70, which is full; choose another" in text_of(counter_screen.client.get(address))
