"""Counting bins on pages: blind until it is settled, by two persons where it differs, then posted."""

import re
from datetime import timedelta

import pytest
import time_machine

from inventory.models import Balance, BinCount, Movement, TalliedLot
from inventory.selectors.audit import audit
from inventory.services.count_posting import post_count
from inventory.services.counting import key_count, open_counts
from inventory.services.floor import Shims, move_shims
from tests.counting import in_it
from tests.jobs.shop import AT, NEW, USED, mm
from tests.ui.pages import fields_of, text_of, wrong_fields

pytestmark = pytest.mark.django_db

# No other figure of the pages is one of these: what the books expect, what is counted, and the differences.
EXPECTED, COUNTED, FEWER, MORE_BY, FEWER_BY = 4321, 4688, 3954, 367, 367
# Ids, tokens against forgery and the names of static files hold any digits, by chance these too.
CHANCE = re.compile(
    r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}|"
    r'name="csrfmiddlewaretoken" value="\w+"|"X-CSRFToken": "\w+"|\.[0-9a-f]{12}\.'
)
FIGURES = {EXPECTED, COUNTED, FEWER, MORE_BY}


@pytest.fixture
def place(shop, workshop):
    """A bin with 4,321 new shims of 2.750 mm and one used one of 2.747 mm."""
    workshop.bins["2.747"] = workshop.bin("2.750")
    workshop.stock(("2.750", NEW, EXPECTED), ("2.747", USED, 1))
    return workshop.bin("2.750")


@pytest.fixture
def count(shop, clerk, place):
    (count,) = open_counts(site=shop.site, actor=clerk, at=AT, places=[place])
    return count


def sheet(browser, count):
    """The fields of the blind sheet, once the browser's person has begun."""
    page = browser.post("begin_count", count.pk)
    assert page.status_code == 200
    return fields_of(page)


def new_and_used(fields):
    (new,) = [name for name in fields if name.startswith("lot_") and name.endswith("_new")]
    (used,) = [name for name in fields if name.startswith("lot_") and name.endswith("_used")]
    return new, used


def key(browser, count, new, used="1", **more):
    fields = sheet(browser, count)
    names = new_and_used(fields)
    return browser.post("count", count.pk, **fields | {names[0]: str(new), names[1]: used} | more)


def numbers_on(*pages):
    """Every whole number that stands anywhere in the pages' HTML, attributes and all."""
    html = CHANCE.sub("", "".join(page.content.decode() for page in pages))
    return {int(digits) for digits in re.findall(r"(?<![\d.])\d{2,6}(?![\d.])", html)}


def differing(count, tech, clerk, off=-1):
    for person in (tech, clerk):
        count = key_count(count=count, actor=person, at=AT, found=in_it(count.place, off))
    return count


class TestBlind:
    def look(self, count, *browsers):
        """Not the bin's page, nor the stock as it was: there the books stand, and the floor needs them."""
        for browser in browsers:
            yield from (browser.get(name) for name in ("counts", "past_counts", "count_variance"))
            yield browser.get("count", count.pk)
            yield browser.get("open_counts")

    def test_no_page_tells_a_figure_before_it_is_settled(
        self, count, place, bay_tablet, counter_screen, office
    ):
        """Through every state before two found the same, for everybody who could count, in refusals too."""
        everybody = (bay_tablet, counter_screen, office)
        shown = [*self.look(count, *everybody), bay_tablet.post("begin_count", count.pk)]
        fields = fields_of(shown[-1])
        new, used = new_and_used(fields)
        # Half keyed: shown again with what is wrong.
        shown.append(bay_tablet.post("count", count.pk, **fields | {used: "1", new: ""}))
        assert shown[-1].status_code == 400
        bay_tablet.post("count", count.pk, **fields | {used: "1", new: str(COUNTED)})
        shown += self.look(count, *everybody)
        shown.append(bay_tablet.post("begin_count", count.pk))
        assert shown[-1].status_code == 409
        key(counter_screen, count, FEWER)
        shown += self.look(count, *everybody)
        shown += [office.post(name, count.pk, note="too soon") for name in ("post_count", "reject_count")]
        assert BinCount.objects.get(pk=count.pk).state == "again"
        assert TalliedLot.objects.filter(possible=[MORE_BY]).exists()
        assert numbers_on(*shown) & FIGURES == set()

        # And the walk sees them where they are told: once two have found the same.
        page = key(bay_tablet, count, FEWER)
        assert "Two have found the same" in text_of(page)
        assert numbers_on(office.get("count", count.pk)) >= {EXPECTED, FEWER, FEWER_BY}

    def test_one_that_is_called_off_stays_blind(self, count, bay_tablet, counter_screen):
        key(bay_tablet, count, COUNTED)
        page = counter_screen.post("cancel_count", count.pk, note="drawer locked")
        assert "Count 4 is called off." in text_of(page)
        assert numbers_on(*self.look(count, bay_tablet, counter_screen)) & FIGURES == set()

    def test_the_sheet_is_the_counters_own_and_empty(self, count, bay_tablet, counter_screen):
        fields = sheet(bay_tablet, count)
        assert [fields[name] for name in new_and_used(fields)] == ["", ""]
        assert "Begin to count" in text_of(counter_screen.get("count", count.pk))
        assert "Ines Varga has been counting since" in text_of(counter_screen.get("count", count.pk))


class TestOpen:
    def test_due_bins_are_there_with_the_reason(self, shop, office, manager):
        with time_machine.travel(AT + timedelta(days=200)):
            office.client.force_login(manager)
            page = office.get("counts")
            assert "Slow mover: every 180 days, never counted yet" in text_of(page)
            ticked = re.findall(r'name="places" value="([^"]+)" checked', page.content.decode())
            assert ticked
            page = office.post("open_counts", places=ticked)
        assert f"To be counted: {len(ticked)} bins." in text_of(page)
        opened = BinCount.objects.filter(place__in=ticked, opened_at__gt=AT)
        assert len(opened) == len(ticked)
        # The one that agreed when the shop was furnished has been counted before.
        assert {count.why.removesuffix(", never counted yet") for count in opened} == {
            "slow mover: every 180 days"
        }

    def test_any_others_may_be_chosen_and_asked_twice_is_once(self, shop, bay_tablet, place):
        for _ in range(2):
            page = bay_tablet.post("open_counts", places=[str(place.pk)], why="one too few")
            assert "To be counted: 1 bin." in text_of(page)
        assert BinCount.objects.get(place=place).why == "one too few"

    @pytest.mark.parametrize("places", [[], ["nonsense"], ["0190b0a0-0000-7000-8000-000000000000"]])
    def test_none_or_what_is_no_bin_here(self, shop, office, places):
        before = BinCount.objects.count()
        assert office.post("open_counts", places=places).status_code == 400
        assert BinCount.objects.count() == before

    def test_from_the_bins_own_page(self, shop, bay_tablet, place):
        assert "Count this bin" in text_of(bay_tablet.get("bin", place.pk))
        page = bay_tablet.post("count_bin", place.pk)
        assert "Begin to count" in text_of(page)
        assert "Count 4: to count" in text_of(bay_tablet.get("bin", place.pk))

    def test_of_another_site_nothing(self, count, foreign):
        assert foreign.post("begin_count", count.pk).status_code == 404
        assert foreign.post("count", count.pk).status_code == 404


class TestKey:
    def test_what_the_books_say_is_done(self, count, bay_tablet):
        page = key(bay_tablet, count, EXPECTED)
        assert "It agrees with the books." in text_of(page)
        assert "Agrees with the books" in text_of(bay_tablet.get("past_counts"))
        assert BinCount.objects.get(pk=count.pk).closed_by == "Ines Varga"

    def test_two_taps_key_in_once(self, count, bay_tablet):
        fields = sheet(bay_tablet, count)
        new, used = new_and_used(fields)
        keyed = fields | {new: str(COUNTED), used: "1"}
        for says in ("somebody else counts it again", "nothing was booked twice"):
            page = bay_tablet.post("count", count.pk, **keyed)
            assert page.status_code == 200
            assert says in text_of(page)
        assert count.tallies.count() == 1

    def test_whoever_counted_last_is_told_so(self, count, bay_tablet):
        key(bay_tablet, count, COUNTED)
        assert "You counted it last" in text_of(bay_tablet.get("count", count.pk))
        page = bay_tablet.post("begin_count", count.pk)
        assert page.status_code == 409
        assert "now somebody else counts it" in text_of(page)

    def test_who_has_not_begun_keys_nothing_in(self, count, bay_tablet):
        page = bay_tablet.post("count", count.pk)
        assert page.status_code == 409
        assert "begin, look into it, then key in" in text_of(page)

    def test_another_thickness_in_inches_on_a_line_more(self, count, bay_tablet, counter_screen):
        line = {"thickness_1": "0.1014 in", "condition_1": "used", "quantity_1": "2", "family_1": "disc29"}
        for browser in (bay_tablet, counter_screen):
            fields = sheet(browser, count)
            new, used = new_and_used(fields)
            keyed = fields | {new: str(EXPECTED), used: "1"}
            page = browser.post("count", count.pk, **keyed, add_line="1")
            more = fields_of(page)
            assert "thickness_1" in more
            assert "thickness_1" not in fields
            assert (more[new], more["once"]) == (str(EXPECTED), keyed["once"])
            browser.post("count", count.pk, **more | line)
        (lot,) = TalliedLot.objects.filter(tally__confirmed=True, tally__count=count).exclude(difference=0)
        assert (lot.thickness_keyed, lot.counted, lot.difference) == ("0.1014 in", 2, 2)

    @pytest.mark.parametrize(
        ("keyed", "wrong", "says"),
        [
            ({"new": ""}, "new", "0 where there is none"),
            ({"new": "-1"}, "new", "0"),
            ({"new": "many"}, "new", "whole number"),
            ({"thickness_0": "2.634"}, "condition_0 quantity_0", "Say how many there are."),
            ({"quantity_0": "1", "condition_0": "new"}, "thickness_0", "Say how thick"),
            ({"thickness_0": "2634", "quantity_0": "1", "condition_0": "used"}, "thickness_0", "2634 um"),
            ({"thickness_0": "9.1", "quantity_0": "1", "condition_0": "used"}, "thickness_0", "outside its"),
            ({"thickness_0": "2.75", "quantity_0": "1", "condition_0": "new"}, "thickness_0", "add them up"),
        ],
    )
    def test_what_is_wrong_stands_at_its_line(self, count, bay_tablet, keyed, wrong, says):
        fields = sheet(bay_tablet, count)
        names = dict(zip(("new", "used"), new_and_used(fields), strict=True))
        keyed = {names.get(name, name): value for name, value in keyed.items()}
        page = bay_tablet.post("count", count.pk, **fields | {names["new"]: "7", names["used"]: "1"} | keyed)
        assert page.status_code == 400
        assert wrong_fields(page) == [names.get(name, name) for name in wrong.split()]
        assert says in text_of(page)
        assert all(fields_of(page)[name] == value for name, value in keyed.items() if value != "used")
        assert not count.tallies.filter(keyed_at__isnull=False).exists()


class TestDifference:
    def test_a_small_one_is_posted_once(self, count, tech, clerk, counter_screen, place):
        settled = differing(count, tech, clerk)
        assert "Post the difference" in text_of(counter_screen.get("count", count.pk))
        stale = {"version": settled.version, "note": "swept up"}
        page = counter_screen.post("post_count", count.pk, **stale)
        assert "is posted" in text_of(page)
        page = counter_screen.post("post_count", count.pk, **stale)
        assert page.status_code == 412
        assert Movement.objects.filter(reason="count", document="Count 4").count() == 1
        assert Balance.objects.get(place=place, condition=USED).on_hand == 0

    def test_a_large_one_waits_for_the_manager(
        self, count, tech, clerk, bay_tablet, counter_screen, office, place
    ):
        for browser in (bay_tablet, counter_screen):
            key(browser, count, FEWER)
        assert "a manager approves it first" in text_of(counter_screen.get("count", count.pk))
        assert counter_screen.post("approve_count", count.pk).status_code == 403
        assert counter_screen.post("reject_count", count.pk, note="no").status_code == 403
        page = counter_screen.post("post_count", count.pk)
        assert page.status_code == 409
        assert "Count 4 is approved" in text_of(office.post("approve_count", count.pk))
        assert "is posted" in text_of(counter_screen.post("post_count", count.pk))
        assert Balance.objects.get(place=place, condition=NEW).on_hand == FEWER
        movement = Movement.objects.get(reason="count", document="Count 4")
        asked = fields_of(office.get("movement", movement.uid)) | {"note": "behind the drawer"}
        office.post("movement", movement.uid, **asked)
        page = text_of(counter_screen.get("count", count.pk))
        assert "Difference posted, undone since" in page
        assert "Undone: Mara Quist" in page
        assert "behind the drawer" in page
        for name in ("past_counts", "count_variance"):
            assert "Difference posted, undone since" in text_of(counter_screen.get(name))

    def test_rejected_with_a_reason_and_counted_anew(self, count, tech, clerk, counter_screen, place):
        settled = differing(count, tech, clerk)
        page = counter_screen.post("reject_count", count.pk, version=settled.version)
        assert page.status_code == 400
        assert "Say why" in text_of(page)
        page = counter_screen.post("reject_count", count.pk, note="wrong drawer", count_anew="1")
        assert "is to be counted anew" in text_of(page)
        anew = BinCount.objects.get(place=place, state="open")
        assert anew.why == "Count 4 was rejected: counted anew"
        assert Balance.objects.get(place=place, condition=USED).on_hand == 1

    def test_is_not_the_technicians(self, count, tech, clerk, bay_tablet):
        settled = differing(count, tech, clerk)
        assert settled.state == "differs"
        words = text_of(bay_tablet.get("count", count.pk))
        assert "Post the difference" not in words
        assert "Reject" not in words
        for name in ("post_count", "reject_count", "cancel_count", "approve_count"):
            assert bay_tablet.post(name, count.pk, note="x").status_code == 403

    def test_one_that_is_not_settled_is_neither_posted_nor_rejected(self, count, office):
        for name in ("post_count", "reject_count", "approve_count"):
            page = office.post(name, count.pk, note="too soon")
            assert page.status_code == 409
            assert "to count" in text_of(page)


class TestReports:
    def test_variance_in_money_by_bin_and_family(self, count, tech, clerk, office, manager, place):
        differing(count, tech, clerk)
        words = text_of(office.get("count_variance"))
        # A used one counts half of 6.90 EUR; the furnished shop has another bin with two new ones too many.
        assert "Gained 13.80 EUR Lost -3.45 EUR Net 10.35 EUR Gained and lost together 17.25 EUR" in words
        assert f"{place.code} 0 1 -3.45 EUR" in words
        assert "disc29 2 1 10.35 EUR" in words
        with time_machine.travel(AT + timedelta(days=40)):
            office.client.force_login(manager)
            assert "found a difference" in text_of(office.get("count_variance", days="30"))
            assert "Lost -3.45" in text_of(office.get("count_variance", days="nonsense"))

    def test_past_counts_by_bin_and_state(self, count, tech, clerk, office, place):
        post_count(count=differing(count, tech, clerk), actor=clerk, at=AT)
        assert "Count 4" in text_of(office.get("past_counts", place=place.code.lower()))
        assert "Count 4" not in text_of(office.get("past_counts", state="agrees"))
        assert "No such count" in text_of(office.get("past_counts", place="nowhere"))


def test_a_count_while_the_floor_works_on(
    shop, workshop, count, clerk, place, bay_tablet, counter_screen, office
):
    """Ten new shims are missing all along. Some leave while the first counts, some before the second does,
    some before it is posted: none of them becomes a difference."""

    def leave(quantity):
        shims = Shims(
            family=workshop.family,
            thickness_nm=mm("2.750").nm,
            condition=NEW,
            quantity=quantity,
            place=workshop.bin("2.900"),
        )
        move_shims(site=shop.site, actor=clerk, at=AT, source=place, shims=[shims])

    fields = sheet(bay_tablet, count)
    new, used = new_and_used(fields)
    leave(5)
    page = bay_tablet.post("count", count.pk, **fields | {new: str(EXPECTED - 10 - 5), used: "1"})
    assert "somebody else counts it again" in text_of(page)
    leave(7)
    key(counter_screen, count, EXPECTED - 10 - 12)
    count.refresh_from_db()
    # Ten at 6.90 EUR are more than may be posted unseen.
    assert count.state == "to_approve"
    leave(8)
    office.post("approve_count", count.pk)
    counter_screen.post("post_count", count.pk, note="fell behind the cabinet")
    assert Balance.objects.get(place=place, condition=NEW).on_hand == EXPECTED - 10 - 20
    assert "none" in text_of(office.get("count", count.pk))
    assert audit() == []
