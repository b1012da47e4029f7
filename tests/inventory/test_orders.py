"""An order on paper and for programs: read back, valid, and every total the sum of what stands above it."""

import csv
import re
from dataclasses import replace
from decimal import Decimal
from io import BytesIO, StringIO
from xml.etree import ElementTree

import pypdfium2
import pytest
import zxingcpp
from openpyxl import load_workbook

from inventory.compute.money import MINOR_DIGITS, minor_unit
from inventory.orders import order_csv, order_pdf, order_record, order_ubl, order_xlsx
from inventory.services.catalogue import add_supplier
from inventory.services.purchasing import Buy, mark_bought
from tests.inventory.order_cases import order

CBC = "{urn:oasis:names:specification:ubl:schema:xsd:CommonBasicComponents-2}"
CAC = "{urn:oasis:names:specification:ubl:schema:xsd:CommonAggregateComponents-2}"


def text_of(pdf):
    document = pypdfium2.PdfDocument(pdf)
    return [page.get_textpage().get_text_range() for page in document]


@pytest.mark.parametrize("currency", sorted(MINOR_DIGITS))
def test_totals_add_up_in_every_currency(currency):
    root = ElementTree.fromstring(order_ubl(order(currency, price="3.3335")))
    lines = [Decimal(each.text) for each in root.iterfind(f".//{CAC}LineItem/{CBC}LineExtensionAmount")]
    sums = root.find(f"{CAC}AnticipatedMonetaryTotal")
    goods = Decimal(sums.find(f"{CBC}LineExtensionAmount").text)
    fee = Decimal(sums.find(f"{CBC}ChargeTotalAmount").text)
    assert sum(lines) == goods
    assert goods + fee == Decimal(sums.find(f"{CBC}PayableAmount").text)
    assert all(amount % minor_unit(currency) == 0 for amount in (*lines, fee))
    assert {each.get("currencyID") for each in root.iter() if each.get("currencyID")} == {currency}


def test_the_pdf_says_what_was_ordered_and_adds_up():
    (page,) = text_of(order_pdf(order()))
    for words in (
        "Brackwater Valve Shop",
        "Quay 4",
        "To Norrbeck & Daughter",
        "Order NORTH-12",
        "Date 2026-03-02",
        "Our number with you K-77",
        "S-2",
        "Shim 2.620 mm, 29 mm disc",
    ):
        assert words in page
    amounts = [Decimal(found) for found in re.findall(r"(\d+\.\d\d) EUR", page)]
    assert amounts == [Decimal("30.00"), Decimal("6.00"), Decimal("36.00")]
    assert [Decimal(found) for found in re.findall(r"3\.333\s+(\d+\.\d\d)", page)] == [Decimal("10.00")] * 3
    assert "Copy" not in page


def test_long_orders_take_more_pages_and_drafts_and_copies_say_so():
    pages = text_of(order_pdf(order(lines=80)))
    assert len(pages) == 3
    assert "page 3" in pages[2]
    assert "Total" in pages[2]
    assert all(f"S-{number}" in "".join(pages) for number in range(1, 81))
    assert "Copy of an order" in text_of(order_pdf(order(), copy=True))[0]
    assert "Draft, not an order" in text_of(order_pdf(order(draft=True)))[0]


def codes_of(pdf):
    """What a scanner reads on each page, by an independent reader, at a common printer's resolution."""
    document = pypdfium2.PdfDocument(pdf)
    pictures = [page.render(scale=203 / 72).to_pil() for page in document]
    return [[found.text for found in zxingcpp.read_barcodes(picture)] for picture in pictures]


def test_the_code_on_paper_reads_back():
    address = "https://shop.example/at/north/purchases/01a214e4-bb7a-73cf-8488-675b89da8463"
    assert codes_of(order_pdf(order(lines=80, address=address))) == [[address], [], []]
    assert codes_of(order_pdf(order(), copy=True)) == [["NORTH-12"]]
    assert codes_of(order_pdf(order(draft=True, address=address))) == [[]]


def test_a_long_letterhead_does_not_run_into_the_code():
    crowded = ("Brackwater and Daughters Valve Shop and Shim Counter at the Old Quay", *["W" * 140] * 6)
    assert codes_of(order_pdf(order(buyer=crowded))) == [["NORTH-12"]]


def test_tables_hold_the_same():
    rows = list(csv.reader(StringIO(order_csv(order()).decode())))
    assert rows[0][:4] == ["order", "line", "part number", "what"]
    assert [row[8] for row in rows[1:]] == ["10.00", "10.00", "10.00", "6.00", "36.00"]
    sheet = load_workbook(BytesIO(order_xlsx(order()))).active
    assert [[str(cell or "") for cell in row] for row in sheet.iter_rows(values_only=True)] == rows


def test_no_cell_is_a_formula():
    plain = order(lines=1)
    hostile = replace(plain, lines=(replace(plain.lines[0], part_number="=1+1"),))
    assert list(csv.reader(StringIO(order_csv(hostile).decode())))[1][2] == "'=1+1"


@pytest.mark.django_db
def test_the_order_of_a_list(site, clerk, at, service, family, settings):
    settings.COLDGAP = settings.COLDGAP | {"LETTERHEAD": ["Brackwater Valve Shop", "Quay 4"]}
    supplier = add_supplier(actor=service, code="norrbeck", name="Norrbeck & Daughter", lead_days=1)
    bought = mark_bought(
        site=site,
        actor=clerk,
        at=at,
        supplier=supplier,
        buys=[Buy(family=family, thickness_nm=2_625_000, quantity=2)],
    )
    found = order_record(bought)
    assert (found.name, found.buyer[0], found.unpriced) == (
        f"{site.code.upper()}-{bought.number}",
        "Brackwater Valve Shop",
        1,
    )
    assert "Please tell us" in text_of(order_pdf(found))[0]
