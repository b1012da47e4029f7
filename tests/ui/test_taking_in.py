"""Taking in a delivery that is not as ordered, on pages: said once, claimed, settled, found by its name."""

import pypdfium2
import pytest
import zxingcpp

from inventory.models import ReceiptLine, SupplierClaim
from tests.ui.pages import fields_of, text_of

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
