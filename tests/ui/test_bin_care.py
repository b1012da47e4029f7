"""Cabinets as they stand, and the care of a bin on its pages."""

import pytest

from inventory.models import Balance, Place, PlaceEvent
from inventory.services.bins import retire_bin
from inventory.services.catalogue import add_bin, add_family
from tests.jobs.shop import AT, mm
from tests.ui.pages import fields_of, text_of, wrong_fields

pytestmark = pytest.mark.django_db


@pytest.fixture
def full(shop, workshop):
    """Four shims of which no job holds any, and no count is open."""
    workshop.stock(("2.800", "new", 4))
    return workshop.bin("2.800")


@pytest.fixture
def empty(shop, workshop, service):
    return add_bin(
        site=shop.site,
        actor=service,
        at=AT,
        code="E1",
        cabinet="E",
        row=2,
        column=3,
        family=workshop.family,
        capacity=9,
    )


def test_a_cabinet_is_drawn_row_by_row(bay_tablet, empty):
    html = bay_tablet.get("bins").content.decode()
    cabinet = html[html.index("Cabinet E as it stands") :].partition("</table>")[0]
    rows = cabinet.split("<tr>")[1:]
    assert [row.count("<td>") for row in rows] == [3, 3]
    assert "E1" in rows[1].split("<td>")[3]
    assert "takes 9" in text_of(bay_tablet.get("bins"))


def test_where_a_thickness_belongs(bay_tablet, full):
    page = bay_tablet.get("bins", family="disc29", thickness="2.801", quantity="2")
    assert f"{full.code} for 2:" in text_of(page)
    wrong = bay_tablet.get("bins", family="disc29", thickness="0.1004 furlong", quantity="2")
    assert wrong.status_code == 400
    assert wrong_fields(wrong) == ["thickness"]


def test_a_bin_says_how_full_it_is_and_what_its_used_shims_measure(bay_tablet, shop, workshop):
    place = Balance.objects.filter(place__kind="bin", condition="used", on_hand__gt=0).first().place
    Place.objects.filter(pk=place.pk).update(capacity=2)
    words = text_of(bay_tablet.get("bin", place.pk))
    assert "Used ones, measured" in words
    assert "of 2," in words
    total = sum(b.on_hand for b in Balance.objects.filter(place=place))
    assert ("Over full by" in words) == (total > 2)


def test_what_it_is_kept_for(counter_screen, empty):
    asked = fields_of(counter_screen.get("edit_bin", empty.pk))
    assert (asked["family"], asked["capacity"]) == ("disc29", "9")
    page = counter_screen.post("edit_bin", empty.pk, **asked | {"size": "2.650", "capacity": "20"})
    assert "E1 is changed." in text_of(page)
    assert "now for 2.650 mm of disc29, up to 20" in text_of(page)
    empty.refresh_from_db()
    assert (empty.size_nm, empty.capacity) == (2_650_000, 20)


@pytest.mark.parametrize(
    ("keyed", "wrong", "says"),
    [
        (
            {"size": "2.651"},
            "size",
            "2.651 mm is no size that disc29 is made in: the nearest made size is 2.650 mm.",
        ),
        ({"capacity": "0"}, "capacity", "Must be 1 or more."),
        ({"capacity": "100001"}, "capacity", "Must be 100,000 or less."),
    ],
)
def test_what_a_bin_cannot_be_kept_for(counter_screen, empty, keyed, wrong, says):
    page = counter_screen.post(
        "edit_bin", empty.pk, **fields_of(counter_screen.get("edit_bin", empty.pk)) | keyed
    )
    assert page.status_code == 400
    assert wrong_fields(page) == [wrong]
    assert says in text_of(page)
    assert not PlaceEvent.objects.filter(act=PlaceEvent.Act.EDIT).exists()


def test_two_tablets_on_one_bin(counter_screen, office, empty):
    asked = fields_of(counter_screen.get("edit_bin", empty.pk))
    office.post("edit_bin", empty.pk, **fields_of(office.get("edit_bin", empty.pk)) | {"capacity": "30"})
    page = counter_screen.post("edit_bin", empty.pk, **asked | {"capacity": "40"})
    assert page.status_code == 412
    assert "Somebody changed E1 since you opened it, so nothing was done." in text_of(page)
    empty.refresh_from_db()
    assert empty.capacity == 30
    counter_screen.post("edit_bin", empty.pk, **fields_of(page))
    empty.refresh_from_db()
    assert empty.capacity == 40


def test_relocated_into_exchange(counter_screen, empty, full):
    asked = fields_of(counter_screen.get("relocate_bin", empty.pk))
    there = {"cabinet": full.cabinet, "row": full.row, "column": full.column}
    counter_screen.post("relocate_bin", empty.pk, **asked | there)
    full.refresh_from_db()
    assert (full.cabinet, full.row, full.column) == ("E", 2, 3)


def test_merged_with_its_history(counter_screen, full, empty):
    before = sum(b.on_hand for b in Balance.objects.filter(place=full))
    asked = fields_of(counter_screen.get("merge_bin", full.pk))
    page = counter_screen.post("merge_bin", full.pk, **asked | {"target": empty.pk, "note": "half empty"})
    assert f"Everything in {full} is in E1 now" in text_of(page)
    assert sum(b.on_hand for b in Balance.objects.filter(place=empty)) == before
    old = text_of(counter_screen.get("bin", full.pk))
    assert "Not in use any more" in old
    assert "opening count" in old
    assert f"{full.code} merged into E1: half empty" in old
    assert "Out of use" in text_of(counter_screen.get("bins"))


def test_split_and_retired_and_back(counter_screen, full, empty):
    asked = fields_of(counter_screen.get("split_bin", full.pk))
    new = {"size": "2.800", "code": "S1", "cabinet": "S", "row": "1", "column": "1"}
    page = counter_screen.post("split_bin", full.pk, **asked | new)
    assert f"Bin S1 is made and filled from {full}." in text_of(page)
    refused = counter_screen.post("retire_bin", Place.objects.get(code="S1").pk, version=1, note="x")
    assert refused.status_code == 409
    assert "still holds 1 kind of shim" in text_of(refused)
    asked = fields_of(counter_screen.get("retire_bin", empty.pk))
    assert "E1 is out of use." in text_of(
        counter_screen.post("retire_bin", empty.pk, **asked | {"note": "broken"})
    )
    asked = fields_of(counter_screen.get("restore_bin", empty.pk))
    assert "E1 is in use again." in text_of(counter_screen.post("restore_bin", empty.pk, **asked))
    again = counter_screen.post("restore_bin", empty.pk, **asked)
    assert again.status_code == 409


FORMS_ON_A_BIN = ("edit_bin", "relocate_bin", "merge_bin", "split_bin", "retire_bin")


def test_pages_of_a_retired_bin_say_so_and_offer_to_bring_it_back(counter_screen, empty, service):
    retire_bin(place=empty, actor=service, at=AT)
    way_back = counter_screen.address("restore_bin", empty.pk)
    for name in (*FORMS_ON_A_BIN, "move", "count_in", "scrap", "regrade", "hold_by_hand"):
        page = counter_screen.get(name, empty.pk)
        assert "E1 is out of use" in text_of(page), name
        assert way_back in page.content.decode(), name
        assert fields_of(page).keys() == {"csrfmiddlewaretoken"}, name
    page = counter_screen.get("pack_label", empty.pk)
    assert "E1 is out of use" in text_of(page)
    assert way_back in page.content.decode()
    assert "thickness" not in fields_of(page)
    keyed = {"thickness": "2.650", "condition": "new", "quantity": "3"}
    page = counter_screen.get("pack_label", empty.pk, **keyed)
    assert page.status_code == 409
    assert "E1 is out of use" in text_of(page)
    assert {field: fields_of(page)[field] for field in keyed} == keyed
    page = counter_screen.get("restore_bin", empty.pk)
    assert "is out of use" not in text_of(page)
    counter_screen.post("restore_bin", empty.pk, **fields_of(page))
    page = counter_screen.get("restore_bin", empty.pk)
    assert "E1 is in use" in text_of(page)
    assert "note" not in fields_of(page)


def test_a_technician_is_not_offered_to_bring_a_bin_back(bay_tablet, empty, service):
    retire_bin(place=empty, actor=service, at=AT)
    page = bay_tablet.get("hold_by_hand", empty.pk)
    assert "E1 is out of use" in text_of(page)
    assert bay_tablet.address("restore_bin", empty.pk) not in page.content.decode()


@pytest.mark.parametrize(
    ("name", "keyed"),
    [
        ("edit_bin", {"capacity": "30"}),
        ("relocate_bin", {"cabinet": "F", "row": "1", "column": "1"}),
        ("split_bin", {"size": "2.800", "code": "S1", "cabinet": "S", "row": "1", "column": "1"}),
        ("retire_bin", {"note": "twice"}),
    ],
)
def test_a_bin_that_was_retired_meanwhile_stays_as_it_is(counter_screen, empty, service, name, keyed):
    """The form was open before: what was keyed stays, with the way to bring the bin back."""
    asked = fields_of(counter_screen.get(name, empty.pk)) | keyed
    retired = retire_bin(place=empty, actor=service, at=AT)
    page = counter_screen.post(name, empty.pk, **asked)
    assert page.status_code == 409
    assert "E1 is out of use: bring it back into use first." in text_of(page)
    assert counter_screen.address("restore_bin", empty.pk) in page.content.decode()
    assert {field: fields_of(page)[field] for field in keyed} == keyed
    after = Place.objects.get(pk=empty.pk)
    assert (after.version, after.cabinet, after.capacity) == (retired.version, "E", 9)


def test_is_not_the_technicians(bay_tablet, empty):
    for name in ("edit_bin", "relocate_bin", "merge_bin", "split_bin", "retire_bin", "restore_bin"):
        assert bay_tablet.get(name, empty.pk).status_code == 403
        assert bay_tablet.post(name, empty.pk).status_code == 403
    assert "Relocate" not in text_of(bay_tablet.get("bin", empty.pk))


def test_a_bin_kept_for_another_family_is_asked_about(counter_screen, full, empty, service):
    """The second press puts them there; the first only asks."""
    Place.objects.filter(pk=empty.pk).update(family=_caps(service))
    lot = Balance.objects.filter(place=full, on_hand__gt=0).first()
    asked = fields_of(counter_screen.get("move", full.pk)) | {
        "lot": lot.pk,
        "quantity": 1,
        "target": empty.pk,
    }
    page = counter_screen.post("move", full.pk, **asked)
    assert page.status_code == 409
    assert wrong_fields(page) == ["target"]
    assert "E1 is kept for 9 mm cap; these are 29 mm disc." in text_of(page)
    assert "Put them there all the same" in text_of(page)
    assert not Balance.objects.filter(place=empty, on_hand__gt=0).exists()
    page = counter_screen.post("move", full.pk, **fields_of(page) | {"confirm": "yes"})
    assert "1 shim moved" in text_of(page)
    assert "Not kept here" in text_of(counter_screen.get("bin", empty.pk))


def _caps(service):
    from_text = {"diameter": "9.5", "thinnest": "2.000", "thickest": "2.500", "step": "0.025"}
    return add_family(
        actor=service,
        code="cap9",
        name="9 mm cap",
        form="cap",
        marking="thousandths",
        **{name: mm(text) for name, text in from_text.items()},
    )
