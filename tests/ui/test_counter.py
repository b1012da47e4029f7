"""The counter: receiving, putting away, inspection, buying, the books as pages."""

import re
from html import unescape

import pytest

from inventory.models import Balance, Condition, Inspection, Movement, Need, Place, PlaceKind, PurchaseList
from inventory.selectors.places import place_of
from inventory.services.catalogue import add_bin
from jobs.models import Job
from tests.jobs.shop import AT, mm
from tests.ui.pages import fields_of, text_of, wrong_fields

pytestmark = pytest.mark.django_db


@pytest.fixture
def drawer(shop, workshop, service):
    """A bin where 2.600 belongs."""
    return add_bin(
        site=shop.site,
        actor=service,
        at=AT,
        code="D60",
        cabinet="D",
        row=1,
        column=1,
        family=workshop.family,
        size_nm=mm("2.600").nm,
    )


def groups_of(page, name):
    """The choices of a field by the heading of their group; those in none under ""."""
    select = re.search(rf'<select name="{name}".*?</select>', page.content.decode(), re.S).group(0)
    found = {
        "": re.findall(r"<option[^>]*>([^<]*)", re.sub(r"<optgroup.*?</optgroup>", "", select, flags=re.S))
    }
    for label, options in re.findall(r'<optgroup label="([^"]*)">(.*?)</optgroup>', select, re.S):
        found[label] = [unescape(words) for words in re.findall(r"<option[^>]*>([^<]*)", options)]
    return found


def in_place(place, thickness):
    return sum(b.on_hand for b in Balance.objects.filter(place=place, thickness_nm=mm(thickness).nm))


def test_the_counter_says_what_waits(counter_screen, shop):
    words = text_of(counter_screen.get("counter"))
    assert "On the way 1 list" in words
    assert "Put away 2 in receiving" in words
    assert "Inspection 2 recovered" in words


class TestReceive:
    def asked(self, browser, **keyed):
        return fields_of(browser.get("receive")) | {"family": "disc29"} | keyed

    def test_into_a_bin_and_into_receiving(self, counter_screen, shop, drawer):
        data = self.asked(
            counter_screen,
            document="note 9",
            thickness_0="2.600",
            quantity_0="4",
            place_0=str(drawer.pk),
            thickness_2="2.625 mm",
            quantity_2="1",
        )
        page = counter_screen.post("receive", **data)
        assert "5 shims received." in text_of(page)
        assert in_place(drawer, "2.600") == 4
        assert in_place(place_of(shop.site, PlaceKind.RECEIVING), "2.625") == 1
        assert Movement.objects.filter(reason="receive").last().document == "note 9"

    def test_where_it_belongs_is_answered_before_anything_is_booked(self, counter_screen, shop, drawer):
        keyed = self.asked(
            counter_screen, thickness_0="2.600", quantity_0="4", thickness_1="2.6", quantity_1="2"
        )
        before = Movement.objects.count()
        page = counter_screen.post("receive", **keyed, look="yes")
        assert Movement.objects.count() == before
        assert groups_of(page, "place_0")["Proposed"][0] == "D60: kept for 2.600 mm"
        asked = fields_of(page)
        assert (asked["place_0"], asked["place_1"]) == (str(drawer.pk), str(drawer.pk))
        assert asked["quantity_1"] == "2"
        assert "6 shims received." in text_of(counter_screen.post("receive", **asked))
        assert in_place(drawer, "2.600") == 6

    def test_two_taps_receive_once(self, counter_screen, shop, drawer):
        data = self.asked(counter_screen, thickness_0="2.600", quantity_0="4", place_0=str(drawer.pk))
        counter_screen.post("receive", **data)
        again = counter_screen.post("receive", **data)
        assert "sent before and booked then; nothing was booked twice" in text_of(again)
        assert "open the page anew" in text_of(again)
        assert in_place(drawer, "2.600") == 4

    def test_one_shim_is_one_shim(self, counter_screen, shop):
        page = counter_screen.post("receive", **self.asked(counter_screen, thickness_0="2.6", quantity_0="1"))
        assert "1 shim received." in text_of(page)

    @pytest.mark.parametrize(
        ("keyed", "wrong", "says"),
        [
            ({}, "thickness_0", "Key in at least one thickness"),
            ({"thickness_1": "2.600"}, "quantity_1", "Say how many came"),
            ({"quantity_1": "2"}, "thickness_1", "Say how thick"),
            ({"thickness_1": "2.600", "quantity_1": "0"}, "quantity_1", "Must be 1 or more."),
            ({"thickness_3": "2.610", "quantity_3": "1"}, "thickness_3", "is not a size of its family"),
            ({"thickness_3": "2600", "quantity_3": "1"}, "thickness_3", "2600 um"),
            ({"thickness_3": "2.6 furlong", "quantity_3": "1"}, "thickness_3", "furlong"),
        ],
    )
    def test_what_is_wrong_stands_at_its_line(self, counter_screen, shop, keyed, wrong, says):
        page = counter_screen.post("receive", **self.asked(counter_screen, **keyed))
        assert page.status_code == 400
        assert wrong_fields(page) == [wrong]
        assert says in text_of(page)
        assert all(fields_of(page)[name] == value for name, value in keyed.items())

    def test_is_not_the_technicians(self, bay_tablet, shop):
        assert bay_tablet.get("receive").status_code == 403
        assert "Receive" not in text_of(bay_tablet.get("counter"))


class TestPutAway:
    def test_proposes_the_bin_and_books_it(self, counter_screen, shop, drawer):
        asked = fields_of(counter_screen.get("put_away"))
        (place,) = [value for name, value in asked.items() if name.startswith("place_")]
        assert place == str(drawer.pk)
        page = counter_screen.post("put_away", **asked)
        assert "2 shims put away." in text_of(page)
        assert in_place(drawer, "2.600") == 2
        assert "Receiving is empty" in text_of(counter_screen.get("put_away"))

    def test_some_may_stay(self, counter_screen, shop, drawer):
        asked = fields_of(counter_screen.get("put_away"))
        (number,) = [name for name in asked if name.startswith("quantity_")]
        counter_screen.post("put_away", **asked | {number: "1"})
        assert in_place(drawer, "2.600") == 1
        assert counter_screen.post("put_away", **asked | {number: ""}).status_code == 400

    def test_its_own_bin_and_the_nearest_free_ones_come_first(self, counter_screen, shop, service, drawer):
        asked = fields_of(counter_screen.get("put_away"))
        (name,) = [name for name in asked if name.startswith("place_")]
        add_bin(site=shop.site, actor=service, at=AT, code="D61", cabinet="D", row=1, column=2)
        groups = groups_of(counter_screen.get("put_away"), name)
        first, free, *more = groups["Proposed"]
        assert first == "D60: kept for 2.600 mm"
        assert free == "D61: empty and near its grade"
        assert len(more) == 2  # three free ones at most
        assert groups[""] == ["Choose a bin"]
        others = {words.partition(" ")[0] for words in groups["Other bins"]}
        assert others
        assert not others & {words.partition(" ")[0].strip(":") for words in groups["Proposed"]}

    def test_what_finds_no_room_in_its_own_bin_is_left_for_the_next(
        self, counter_screen, shop, service, drawer
    ):
        Place.objects.filter(pk=drawer.pk).update(capacity=1)
        free = add_bin(site=shop.site, actor=service, at=AT, code="D61", cabinet="D", row=1, column=2)
        for place in (drawer, free):
            asked = fields_of(counter_screen.get("put_away"))
            (name,) = [name for name in asked if name.startswith("place_")]
            (number,) = [name for name in asked if name.startswith("quantity_")]
            assert (asked[name], asked[number]) == (str(place.pk), "1")
            counter_screen.post("put_away", **asked)
        assert (in_place(drawer, "2.600"), in_place(free, "2.600")) == (1, 1)

    def test_more_than_there_are(self, counter_screen, shop, drawer):
        asked = fields_of(counter_screen.get("put_away"))
        (number,) = [name for name in asked if name.startswith("quantity_")]
        page = counter_screen.post("put_away", **asked | {number: "9"})
        assert page.status_code == 409
        assert wrong_fields(page) == [number]
        assert fields_of(page)[number] == "9"


class TestInspection:
    @pytest.fixture
    def lot(self, shop):
        return Balance.objects.get(
            place__kind=PlaceKind.INSPECTION, condition=Condition.UNMEASURED, on_hand__gt=0
        )

    def measure(self, browser, lot, **keyed):
        asked = fields_of(browser.get("measure", lot.pk))
        return browser.post("measure", lot.pk, **asked | {"face": "good"} | keyed)

    def test_a_measured_shim_counts_at_what_the_micrometer_says(self, bay_tablet, shop, lot):
        page = self.measure(bay_tablet, lot, reading_0="2.693", marking_legible="on")
        assert "Inspected: 2.693 mm, face good." in text_of(page)
        found = Inspection.objects.latest("at", "id")
        assert (found.thickness_keyed, found.face, found.marking_legible) == ("2.693 mm", "good", True)
        assert "1 × 2.693 mm used" in text_of(bay_tablet.get("inspection"))

    def test_two_taps_measure_one(self, bay_tablet, shop, lot):
        asked = fields_of(bay_tablet.get("measure", lot.pk)) | {"face": "good", "reading_0": "2.693"}
        before = Inspection.objects.count()
        bay_tablet.post("measure", lot.pk, **asked)
        # The lot is empty now: there is nothing there to measure any more.
        assert bay_tablet.post("measure", lot.pk, **asked).status_code == 404
        assert Inspection.objects.count() == before + 1

    def test_a_thickness_in_another_unit_is_said(self, bay_tablet, shop, lot):
        page = self.measure(bay_tablet, lot, reading_0="0.106")
        assert page.status_code == 400
        assert wrong_fields(page) == ["reading_0"]
        assert "0.106 in" in text_of(page)

    def test_it_goes_back_to_the_bin_where_it_belongs(self, bay_tablet, shop, lot, drawer):
        self.measure(bay_tablet, lot, reading_0="2.601")
        measured = Balance.objects.get(
            place__kind=PlaceKind.INSPECTION, thickness_nm=2_601_000, on_hand__gt=0
        )
        assert "Return to D60" in text_of(bay_tablet.get("inspection"))
        asked = fields_of(bay_tablet.get("return", measured.pk))
        assert asked["target"] == str(drawer.pk)
        page = bay_tablet.post("return", measured.pk, **asked)
        assert "1 shim returned to bin D60." in text_of(page)
        assert in_place(drawer, "2.601") == 1

    def test_an_unmeasured_one_does_not_go_back(self, bay_tablet, shop, lot, drawer):
        asked = fields_of(bay_tablet.get("return", lot.pk))
        page = bay_tablet.post("return", lot.pk, **asked | {"target": str(drawer.pk)})
        assert page.status_code == 409
        assert "Measure the shim first" in text_of(page)

    def test_scrapping_from_inspection_comes_back_to_it(self, counter_screen, shop, lot):
        place = place_of(shop.site, PlaceKind.INSPECTION)
        asked = counter_screen.get("scrap", place.pk, lot=lot.pk)
        assert fields_of(asked)["lot"] == str(lot.pk)
        page = counter_screen.post("scrap", place.pk, **fields_of(asked) | {"note": "pitted"})
        assert page.redirect_chain == [(counter_screen.address("inspection"), 303)]


class TestBuying:
    def test_the_list_says_what_for_whom_and_who_sells_it(self, counter_screen, shop):
        words = text_of(counter_screen.get("to_buy"))
        waiting = shop.jobs["waiting"]
        assert f"Job {waiting.number}, 2-EX" in words
        assert "Far Away Parts 6.90 EUR , Nearby Shims 8.40 EUR" in words
        assert "Purchase list 1, Nearby Shims" in words

    def test_bought_and_received_it_wakes_the_job(self, counter_screen, shop, drawer):
        asked = fields_of(counter_screen.get("to_buy"))
        page = counter_screen.post("to_buy", **asked)
        assert "Marked as bought from Far Away Parts." in text_of(page)
        assert Need.objects.get(job_id=shop.jobs["waiting"].pk).state == Need.State.BOUGHT
        bought = PurchaseList.objects.latest("number")
        asked = fields_of(counter_screen.get("purchase", bought.pk))
        page = counter_screen.post("purchase", bought.pk, **asked)
        assert "Received from Purchase list 2." in text_of(page)
        assert "Received" in text_of(page)
        assert Need.objects.get(job_id=shop.jobs["waiting"].pk).state == Need.State.MET

    def test_two_taps_buy_once(self, counter_screen, shop):
        asked = fields_of(counter_screen.get("to_buy"))
        counter_screen.post("to_buy", **asked)
        second = counter_screen.post("to_buy", **asked)
        assert second.status_code == 412
        assert "no longer on the list" in text_of(second)
        assert PurchaseList.objects.count() == 2

    def test_a_supplier_has_to_be_named_and_something_bought(self, counter_screen, shop):
        asked = fields_of(counter_screen.get("to_buy"))
        page = counter_screen.post("to_buy", **asked | {"supplier": ""})
        assert page.status_code == 400
        assert wrong_fields(page) == ["supplier"]
        (number,) = [name for name in asked if name.startswith("quantity_")]
        page = counter_screen.post("to_buy", **asked | {number: ""})
        assert page.status_code == 400
        assert "Say how many of at least one size were bought." in text_of(page)

    def test_the_technician_looks(self, bay_tablet, shop):
        words = text_of(bay_tablet.get("to_buy"))
        assert "Mark as bought" not in words
        assert bay_tablet.post("to_buy").status_code == 403


class TestReceivingAList:
    def asked(self, browser, shop, **keyed):
        fields = fields_of(browser.get("purchase", shop.bought.pk))
        (number,) = [name for name in fields if name == str(shop.bought.lines.get().pk)]
        return fields, number

    def test_a_part_of_it_leaves_the_list_open(self, counter_screen, shop, drawer):
        fields, number = self.asked(counter_screen, shop)
        assert fields[number] == "3"
        page = counter_screen.post("purchase", shop.bought.pk, **fields | {number: "1"})
        assert "1 came." in text_of(page)
        assert fields_of(page)[number] == "2"
        assert in_place(drawer, "2.450") == 1
        shop.bought.refresh_from_db()
        assert shop.bought.state == PurchaseList.State.PARTLY

    def test_two_taps_receive_once(self, counter_screen, shop, drawer):
        fields, number = self.asked(counter_screen, shop)
        counter_screen.post("purchase", shop.bought.pk, **fields | {number: "1"})
        counter_screen.post("purchase", shop.bought.pk, **fields | {number: "1"})
        assert in_place(drawer, "2.450") == 1

    def test_two_tablets_on_one_delivery(self, counter_screen, office, shop, drawer):
        fields, number = self.asked(counter_screen, shop)
        other, _ = self.asked(office, shop)
        office.post("purchase", shop.bought.pk, **other | {number: "1"})
        page = counter_screen.post("purchase", shop.bought.pk, **fields | {number: "1"})
        assert page.status_code == 412
        words = "Somebody received part of Purchase list 1 meanwhile; nothing was booked. Look at it again."
        assert words in text_of(page)
        assert in_place(drawer, "2.450") == 1
        # What is shown now is the list as it is: the next press is about that.
        assert "1 came." in text_of(page)
        counter_screen.post("purchase", shop.bought.pk, **fields_of(page))
        assert in_place(drawer, "2.450") == 2

    def test_more_than_is_outstanding(self, counter_screen, shop):
        fields, number = self.asked(counter_screen, shop)
        page = counter_screen.post("purchase", shop.bought.pk, **fields | {number: "4"})
        assert page.status_code == 400
        assert wrong_fields(page) == [number]
        assert "4 received of 2.450 mm, 3 outstanding" in text_of(page)
        assert fields_of(page)[number] == "4"

    def test_cancelling_puts_its_needs_back_on_the_list(self, counter_screen, shop):
        counter_screen.post("to_buy", **fields_of(counter_screen.get("to_buy")))
        bought = PurchaseList.objects.latest("number")
        page = counter_screen.post("cancel_purchase", bought.pk)
        assert page.redirect_chain == [(counter_screen.address("to_buy"), 303)]
        assert f"Job {shop.jobs['waiting'].number}, 2-EX" in text_of(page)
        again = counter_screen.post("cancel_purchase", bought.pk)
        assert again.status_code == 409
        assert "is cancelled already" in text_of(again)


class TestTheBooks:
    def test_every_movement_says_what_who_and_why(self, bay_tablet, shop):
        words = text_of(bay_tablet.get("movements"))
        assert "2 × 2.600 to receiving" in words
        assert "note 7" in words

    def test_one_reason_alone(self, bay_tablet, shop):
        words = text_of(bay_tablet.get("movements", reason="fit"))
        assert "to engines" in words
        assert "note 7" not in words

    def test_a_mistake_is_undone_by_a_movement_of_its_own(self, office, shop):
        movement = Movement.objects.get(reason="receive", document="note 7")
        asked = fields_of(office.get("movement", movement.uid))
        page = office.post("movement", movement.uid, **asked | {"note": "wrong delivery"})
        assert f"Movement {movement.seq} is undone." in text_of(page)
        assert "Undone by" in text_of(page)
        assert Movement.objects.get(reverses=movement).note == "wrong delivery"
        again = office.post("movement", movement.uid, once="0" * 32, note="again")
        assert again.status_code == 409
        assert "was reversed already" in text_of(again)

    def test_undoing_is_the_managers(self, counter_screen, shop):
        movement = Movement.objects.get(reason="receive", document="note 7")
        assert "Undo" not in text_of(counter_screen.get("movement", movement.uid))
        assert counter_screen.post("movement", movement.uid).status_code == 403


def test_a_job_that_waits_says_so_on_its_pages(bay_tablet, shop):
    job = shop.jobs["waiting"]
    assert job.state == Job.State.WAITING
    assert "What is to be bought" in text_of(bay_tablet.get("plan", job.pk))
