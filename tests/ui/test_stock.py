"""Stock by family and thickness, bins, and the acts on a bin."""

import pytest

from inventory.models import Balance, Movement, PlaceKind
from inventory.selectors.overview import by_made_size, families_on_hand, proposed_bins
from inventory.selectors.places import bin_for
from inventory.selectors.stock import SizeCount, count_by_thickness
from inventory.services.catalogue import add_bin
from tests.jobs.shop import AT, mm
from tests.ui.pages import fields_of, text_of, wrong_fields

pytestmark = pytest.mark.django_db


@pytest.fixture
def bin_550(shop, workshop):
    return workshop.bin("2.550")


def on_hand(place, thickness):
    found = Balance.objects.filter(place=place, thickness_nm=mm(thickness).nm)
    return sum(balance.on_hand for balance in found)


def test_families_at_a_glance(bay_tablet, shop, workshop):
    (entry,) = families_on_hand(shop.site, at=AT)
    counts = count_by_thickness(shop.site, workshop.family)
    assert entry.on_hand == sum(count.on_hand for count in counts)
    assert entry.held == sum(count.held for count in counts)
    assert entry.sizes_missing == 49 - len(
        {count.size_nm for count in counts if count.on_hand} & set(workshop.family.sizes_nm())
    )
    words = text_of(bay_tablet.get("stock"))
    assert f"{entry.available} available" in words
    assert "29 mm disc" in words


def test_a_family_by_thickness_as_a_picture_and_as_a_table(bay_tablet, shop, workshop):
    html = bay_tablet.get("family", "disc29").content.decode()
    counts = count_by_thickness(shop.site, workshop.family)
    made = by_made_size(counts, workshop.family)
    assert html.count('<li class="stack-of') == len(made) == 49
    assert html.count('<rect class="shim-') == sum(count.on_hand for count in counts) + 2  # and the key's
    words = text_of(bay_tablet.get("family", "disc29"))
    for count in counts:
        if count.on_hand:
            assert f"{count.size_nm / 1_000_000:.3f} mm" in words
    assert f"/bins/{workshop.bin('2.550').pk}" in html


def test_what_is_gathered_per_made_size_loses_no_shim(workshop):
    counts = [
        SizeCount(size_nm=mm(size).nm, new=new, used=used, held=held)
        for size, new, used, held in (
            ("1.950", 0, 1, 0),
            ("2.000", 2, 0, 1),
            ("2.012", 0, 1, 1),
            ("2.013", 0, 1, 0),
            ("3.290", 0, 1, 0),
        )
    ]
    gathered = {count.size_nm: count for count in by_made_size(counts, workshop.family)}
    assert gathered[mm("2.000").nm] == SizeCount(size_nm=mm("2.000").nm, new=2, used=2, held=2)
    assert gathered[mm("2.025").nm].used == 1
    assert gathered[mm("3.200").nm].used == 1
    assert sum(count.on_hand for count in gathered.values()) == sum(count.on_hand for count in counts)


def test_proposed_bins_are_those_that_one_is_asked_for_alone(site, workshop, service):
    for column, (code, size) in enumerate(
        (("P1", "2.500"), ("P2", "2.600"), ("P3", None), ("P4", "2.600")), 1
    ):
        add_bin(
            site=site,
            actor=service,
            at=AT,
            code=code,
            cabinet="P",
            row=1,
            column=column,
            family=workshop.family,
            size_nm=mm(size).nm if size else None,
        )
    shims = [(workshop.family.pk, mm(text).nm) for text in ("2.000", "2.549", "2.550", "2.551", "2.601")]
    many = proposed_bins(site, shims)
    for family, thickness in shims:
        assert many[(family, thickness)] == bin_for(site, workshop.family, thickness)


def test_cabinets_show_every_bin(bay_tablet, shop, workshop):
    html = bay_tablet.get("bins").content.decode()
    assert all(f"/bins/{place.pk}" in html for place in workshop.bins.values())
    assert "here" in html
    assert "held" in html


def test_a_bin_says_what_is_in_it_for_whom_and_what_went_through(bay_tablet, shop, workshop):
    held = shop.jobs["held"]
    place = Balance.objects.filter(held__gt=0, place__kind=PlaceKind.BIN).first().place
    page = bay_tablet.get("bin", place.pk)
    words = text_of(page)
    assert f"for Job {held.number}" in words or "for Job" in words
    assert "until Wed 4 Mar 08:30" in words
    assert "opening count" in words


class TestMove:
    def test_from_bin_to_bin(self, counter_screen, shop, workshop, bin_550):
        asked = counter_screen.get("move", bin_550.pk)
        lot = Balance.objects.get(place=bin_550)
        target = workshop.bin("2.500")
        page = counter_screen.post(
            "move", bin_550.pk, **fields_of(asked) | {"lot": lot.pk, "quantity": 2, "target": target.pk}
        )
        assert "2 shims moved from B02 to B01." in text_of(page)
        assert on_hand(target, "2.550") == 2

    def test_two_taps_move_once(self, counter_screen, shop, workshop, bin_550):
        data = fields_of(counter_screen.get("move", bin_550.pk)) | {
            "lot": Balance.objects.get(place=bin_550).pk,
            "quantity": 2,
            "target": workshop.bin("2.500").pk,
        }
        before = Movement.objects.count()
        assert counter_screen.post("move", bin_550.pk, **data).status_code == 200
        assert counter_screen.post("move", bin_550.pk, **data).status_code == 200
        assert Movement.objects.count() == before + 1
        assert on_hand(workshop.bin("2.500"), "2.550") == 2

    def test_more_than_there_are_is_said_at_the_number_and_can_be_put_right(
        self, counter_screen, shop, workshop, bin_550
    ):
        data = fields_of(counter_screen.get("move", bin_550.pk)) | {
            "lot": Balance.objects.get(place=bin_550).pk,
            "quantity": 70,
            "target": workshop.bin("2.500").pk,
        }
        page = counter_screen.post("move", bin_550.pk, **data)
        assert page.status_code == 409
        assert wrong_fields(page) == ["quantity"]
        shown = fields_of(page)
        assert (shown["quantity"], shown["target"]) == ("70", str(workshop.bin("2.500").pk))
        # The form was not used up by the refusal.
        assert shown["once"] == data["once"]
        assert counter_screen.post("move", bin_550.pk, **shown | {"quantity": 1}).status_code == 200
        assert on_hand(workshop.bin("2.500"), "2.550") == 1

    def test_another_sites_bin_cannot_be_named(self, counter_screen, shop, bin_550, other_site, service):
        theirs = add_bin(site=other_site, actor=service, at=AT, code="X9", cabinet="X", row=1, column=1)
        data = fields_of(counter_screen.get("move", bin_550.pk)) | {"target": theirs.pk, "quantity": 1}
        page = counter_screen.post("move", bin_550.pk, **data)
        assert page.status_code == 400
        assert wrong_fields(page) == ["target"] or "target" in wrong_fields(page)
        assert "X9" not in text_of(page)

    def test_is_not_the_technicians(self, bay_tablet, bin_550):
        page = bay_tablet.get("move", bin_550.pk)
        assert page.status_code == 403
        assert "may not move shims between bins" in text_of(page)


def test_scrapping_takes_a_reason(counter_screen, shop, bin_550):
    data = fields_of(counter_screen.get("scrap", bin_550.pk)) | {
        "lot": Balance.objects.get(place=bin_550).pk,
        "quantity": 1,
    }
    page = counter_screen.post("scrap", bin_550.pk, **data)
    assert page.status_code == 400
    assert wrong_fields(page) == ["note"]
    before = on_hand(bin_550, "2.550")
    assert "1 shim scrapped." in text_of(counter_screen.post("scrap", bin_550.pk, **data | {"note": "rusty"}))
    assert on_hand(bin_550, "2.550") == before - 1


def test_counting_in(counter_screen, shop, bin_550):
    asked = fields_of(counter_screen.get("count_in", bin_550.pk))
    keyed = {"family": "disc29", "thickness": "2.551", "condition": "used", "quantity": "3", "note": "found"}
    page = counter_screen.post("count_in", bin_550.pk, **asked | keyed)
    assert "3 shims counted into B02." in text_of(page)
    assert on_hand(bin_550, "2.551") == 3


def test_counting_in_a_new_shim_of_no_made_size_is_said_at_the_thickness(counter_screen, shop, bin_550):
    asked = fields_of(counter_screen.get("count_in", bin_550.pk))
    keyed = {"family": "disc29", "thickness": "2.551", "condition": "new", "quantity": "3", "note": "found"}
    page = counter_screen.post("count_in", bin_550.pk, **asked | keyed)
    assert page.status_code == 400
    assert wrong_fields(page) == ["thickness"]
    assert "is not a size of its family" in text_of(page)
    assert fields_of(page)["thickness"] == "2.551"


def test_a_missing_form_id_is_asked_for(counter_screen, shop, bin_550):
    page = counter_screen.post("scrap", bin_550.pk, quantity=1, note="rusty")
    assert page.status_code == 400
    assert "Load the page again." in text_of(page)
