"""Taking in a delivery that is not as ordered, on pages: said once, claimed, settled, found by its name."""

import re

import pypdfium2
import pytest
import zxingcpp

from inventory.models import Balance, Place, PurchaseLine, ReceiptLine, SupplierClaim
from inventory.selectors.places import place_of
from inventory.services.catalogue import add_bin, add_family
from inventory.services.claims import open_claim
from inventory.services.shim_lines import Shims
from inventory.services.supplier_returns import return_to_supplier
from tests.jobs.shop import AT, mm
from tests.ui.pages import fields_of, text_of, wrong_fields

pytestmark = pytest.mark.django_db


@pytest.fixture
def line(shop):
    return shop.bought.lines.get()


def test_what_was_found_of_a_line_and_a_second_tablet(counter_screen, shop, line):
    asked = fields_of(counter_screen.get("purchase", shop.bought.pk))
    keyed = asked | {
        str(line.pk): "1",
        f"damaged_{line.pk}": "1",
        f"wrong_{line.pk}": "1",
        f"size_{line.pk}": "2.475",
        f"measured_{line.pk}": "2.451",
        f"price_{line.pk}": "8.10",
        "document": "note 12",
    }
    page = counter_screen.post("purchase", shop.bought.pk, **keyed)
    assert page.status_code == 200
    row = ReceiptLine.objects.get(receipt__document="note 12")
    assert (row.good, row.damaged, row.wrong, row.wrong_nm, row.measured) == (
        1,
        1,
        1,
        2_475_000,
        ["2.451 mm"],
    )
    # The same page on another tablet, keyed before this one was sent.
    other = fields_of(counter_screen.get("purchase", shop.bought.pk))["once"]
    second = counter_screen.post("purchase", shop.bought.pk, **keyed | {"once": other})
    assert "meanwhile" in text_of(second) or "changed" in text_of(second)
    # And a double tap.
    counter_screen.post("purchase", shop.bought.pk, **keyed)
    assert ReceiptLine.objects.filter(receipt__document="note 12").count() == 1


def test_another_bin_for_a_line(counter_screen, shop, line):
    asked = fields_of(counter_screen.get("purchase", shop.bought.pk))
    proposed = Place.objects.get(pk=asked[f"bin_{line.pk}"])
    other = Place.objects.filter(site=shop.site, kind="bin", family=line.family).exclude(pk=proposed.pk)[0]
    keyed = asked | {str(line.pk): "1", f"bin_{line.pk}": str(other.pk)}
    counter_screen.post("purchase", shop.bought.pk, **keyed)
    assert Balance.objects.get(place=other, thickness_nm=line.thickness_nm).on_hand == 1
    assert not Balance.objects.filter(place=proposed, thickness_nm=line.thickness_nm, on_hand__gt=0).exists()


def test_a_bin_of_another_family_is_asked_back(counter_screen, shop, line, service):
    caps = add_family(
        actor=service,
        code="cap9",
        name="9 mm cap",
        form="cap",
        marking="thousandths",
        diameter=mm("9.48"),
        thinnest=mm("1.5"),
        thickest=mm("2.5"),
        step=mm("0.05"),
    )
    place = add_bin(
        site=shop.site, actor=service, at=AT, code="C9", cabinet="C", row=9, column=9, family=caps
    )
    keyed = fields_of(counter_screen.get("purchase", shop.bought.pk))
    keyed |= {str(line.pk): "1", f"bin_{line.pk}": str(place.pk)}
    page = counter_screen.post("purchase", shop.bought.pk, **keyed)
    assert page.status_code == 409
    assert "Put them there all the same" in text_of(page)
    assert f"bin_{line.pk}" in wrong_fields(page)
    counter_screen.post("purchase", shop.bought.pk, **keyed | {"confirm": "yes"})
    assert Balance.objects.get(place=place).on_hand == 1


def test_too_many_are_claimed_and_sent_back(counter_screen, shop, line):
    asked = fields_of(counter_screen.get("purchase", shop.bought.pk))
    page = counter_screen.post("purchase", shop.bought.pk, **asked | {f"over_{line.pk}": "2"})
    assert "2 too many lie in receiving" in text_of(page)
    assert "claim or send back" in text_of(page)
    row = ReceiptLine.objects.get(over=2)
    asked = fields_of(counter_screen.get("open_claim", row.pk))
    assert (asked["kind"], asked["quantity"], asked["reason"]) == ("over", "2", "2 more than ordered")
    page = counter_screen.post("open_claim", row.pk, **asked)
    assert "It is claimed." in text_of(page)
    assert "Send the shims back" in text_of(page)
    counter_screen.post("open_claim", row.pk, **asked)  # a double tap
    claim = row.claims.get()
    page = counter_screen.get("give_back", family=line.family.code, claim=str(claim.pk))
    assert "receiving" in text_of(page)


def test_a_claim_by_hand_that_cannot_be(counter_screen, bay_tablet, foreign, shop, line):
    asked = fields_of(counter_screen.get("purchase", shop.bought.pk))
    counter_screen.post("purchase", shop.bought.pk, **asked | {str(line.pk): "1"})
    row = ReceiptLine.objects.get(good=1)
    asked = fields_of(counter_screen.get("open_claim", row.pk))
    page = counter_screen.post("open_claim", row.pk, **asked | {"quantity": "999", "reason": "chipped"})
    assert page.status_code == 400
    assert "can still be claimed" in text_of(page)
    assert wrong_fields(page) == ["quantity"]
    assert bay_tablet.post("open_claim", row.pk, **asked).status_code == 403
    assert foreign.get("open_claim", row.pk).status_code == 404


def test_the_rest_of_a_list_is_called_off(counter_screen, shop, line):
    asked = fields_of(counter_screen.get("purchase", shop.bought.pk))
    page = counter_screen.post("purchase", shop.bought.pk, **asked | {str(line.pk): "1"})
    assert "Call off the rest" in text_of(page)
    page = text_of(counter_screen.post("cancel_purchase", shop.bought.pk))
    assert "is closed: what came stays received, and the rest is called off." in page
    assert "Closed, rest called off" in page
    assert "Call off the rest" not in page


def test_of_two_who_take_in_all_that_is_to_come_the_second_is_told(counter_screen, shop, line, service):
    size = mm("2.475").nm
    PurchaseLine.objects.create(
        purchase_list=shop.bought, family=line.family, thickness_nm=size, quantity=4, currency="EUR"
    )
    second = PurchaseLine.objects.get(purchase_list=shop.bought, thickness_nm=size)
    only = {str(line.pk): "3", str(second.pk): "", "document": "note 14"}
    first, other = (fields_of(counter_screen.get("purchase", shop.bought.pk)) | only for _ in "12")
    counter_screen.post("purchase", shop.bought.pk, **first)
    page = counter_screen.post("purchase", shop.bought.pk, **other)
    told = f"Somebody received part of Purchase list {shop.bought.number} meanwhile; nothing was booked."
    assert page.status_code == 412
    assert told in text_of(page)
    assert "Say how many" not in text_of(page)
    # Nothing that was keyed is lost, and the next press is about the list as it is now.
    kept = fields_of(page)
    assert (kept[str(line.pk)], kept["document"], kept["version"]) == (
        "3",
        "note 14",
        str(int(first["version"]) + 1),
    )
    page = counter_screen.post("purchase", shop.bought.pk, **kept)
    assert "3 received of 2.450 mm, 0 outstanding" in text_of(page)
    # A double tap of the first is still a double tap.
    assert "was sent before" in text_of(counter_screen.post("purchase", shop.bought.pk, **first))
    counter_screen.post("purchase", shop.bought.pk, **kept | {str(line.pk): "", str(second.pk): "4"})
    second.refresh_from_db()
    assert second.received == 4


def test_a_list_that_changed_since_the_page_was_drawn_is_not_cancelled(counter_screen, shop, line):
    drawn = counter_screen.get("purchase", shop.bought.pk)
    asked = fields_of(drawn)
    forms = re.findall(r"<form[^>]*/cancel.*?</form>", drawn.content.decode(), re.DOTALL)
    assert f'name="version" value="{asked["version"]}"' in forms[0]
    counter_screen.post("purchase", shop.bought.pk, **asked | {str(line.pk): "1"})
    page = counter_screen.post("cancel_purchase", shop.bought.pk, version=asked["version"])
    assert "Somebody received part of" in text_of(page)
    shop.bought.refresh_from_db()
    assert shop.bought.state == "partly"
    counter_screen.post("cancel_purchase", shop.bought.pk, version=shop.bought.version)
    shop.bought.refresh_from_db()
    assert shop.bought.state == "closed"


def test_more_than_is_outstanding_is_asked_back(counter_screen, shop, line):
    asked = fields_of(counter_screen.get("purchase", shop.bought.pk))
    keyed = asked | {str(line.pk): "3", f"damaged_{line.pk}": "50"}
    page = counter_screen.post("purchase", shop.bought.pk, **keyed)
    assert page.status_code == 400
    assert "with 3 as ordered, 0 would be right" in text_of(page)
    assert "It is so: book it all the same" in text_of(page)
    assert wrong_fields(page) == [f"damaged_{line.pk}"]
    assert not SupplierClaim.objects.filter(kind="damaged").exists()
    counter_screen.post("purchase", shop.bought.pk, **keyed | {"confirm": "yes"})
    assert SupplierClaim.objects.get(kind="damaged").quantity == 50


def test_a_wrong_figure_stands_at_its_field(counter_screen, shop, line):
    asked = fields_of(counter_screen.get("purchase", shop.bought.pk))
    page = counter_screen.post(
        "purchase", shop.bought.pk, **asked | {f"wrong_{line.pk}": "1", f"size_{line.pk}": ""}
    )
    assert page.status_code == 400
    assert "Say which size came instead of 2.450 mm." in text_of(page)


def test_a_claim_is_settled_on_its_page(counter_screen, shop):
    claim = SupplierClaim.objects.get()
    assert "Nearby Shims" in text_of(counter_screen.get("claims"))
    asked = fields_of(counter_screen.get("claim", claim.pk))
    without = counter_screen.post("claim", claim.pk, **asked | {"state": "credited", "amount": ""})
    assert "Say how much is credited, in EUR." in text_of(without)
    counter_screen.post("claim", claim.pk, **asked | {"state": "credited", "amount": "8.40"})
    claim.refresh_from_db()
    assert (claim.state, str(claim.amount)) == ("credited", "8.4000")
    assert "No claim is open." in text_of(counter_screen.get("claims"))


def test_inspection_says_what_is_claimed_so_that_nobody_puts_it_into_a_bin(counter_screen, shop, line):
    asked = fields_of(counter_screen.get("purchase", shop.bought.pk))
    keyed = {str(line.pk): "1", f"wrong_{line.pk}": "1", f"size_{line.pk}": "2.475", "document": "note 13"}
    counter_screen.post("purchase", shop.bought.pk, **asked | keyed)
    claim = SupplierClaim.objects.get(kind="wrong_size")
    said = f"1 of them claimed from Nearby Shims: wrong size, Purchase list {shop.bought.number}"
    page = counter_screen.get("inspection")
    assert said in text_of(page)
    assert counter_screen.address("claim", claim.pk) in page.content.decode()
    asked = fields_of(counter_screen.get("claim", claim.pk))
    counter_screen.post("claim", claim.pk, **asked | {"state": "refused", "note": "their mistake, they say"})
    assert said not in text_of(counter_screen.get("inspection"))


def test_inspection_counts_as_claimed_only_what_lies_there(counter_screen, shop, line, service):
    asked = fields_of(counter_screen.get("purchase", shop.bought.pk))
    keyed = {str(line.pk): "1", f"damaged_{line.pk}": "2"}
    counter_screen.post("purchase", shop.bought.pk, **asked | keyed)
    bench = place_of(shop.site, "inspection")
    row = ReceiptLine.objects.get(good=1)
    by = {"actor": service, "at": AT}
    assert "2 of them claimed" in text_of(counter_screen.get("inspection"))
    # By hand over the good one, which lies in receiving.
    open_claim(row=row, **by, kind="damaged", quantity=1, reason="chipped")
    assert text_of(counter_screen.get("inspection")).count("of them claimed") == 1
    one = Shims(family=line.family, thickness_nm=line.thickness_nm, condition="new", quantity=1, place=bench)
    return_to_supplier(
        site=shop.site, **by, supplier=shop.bought.supplier, shims=[one], reason="one of them, unnamed"
    )
    assert "1 of them claimed" in text_of(counter_screen.get("inspection"))


def test_an_order_is_found_by_the_name_on_its_papers(counter_screen, shop):
    page = counter_screen.get("scan", code=f"north-{shop.bought.number}")
    assert page["Location"] == counter_screen.address("purchase", shop.bought.pk)


def test_the_code_on_the_paper_opens_its_taking_in(counter_screen, foreign, shop):
    pdf = pypdfium2.PdfDocument(counter_screen.get("order_paper", shop.bought.pk, "pdf").content)
    (found,) = zxingcpp.read_barcodes(pdf[0].render(scale=203 / 72).to_pil())
    page = counter_screen.get("scan", code=found.text)
    assert page["Location"] == counter_screen.address("purchase", shop.bought.pk)
    assert found.text.endswith(page["Location"])
    opened = counter_screen.client.get(found.text)
    assert "How many came" in text_of(opened)
    assert foreign.client.get(found.text).status_code == 404
