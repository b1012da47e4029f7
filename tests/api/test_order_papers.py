"""An order over the API as a document, with the media type of its kind; and needs that somebody keys in."""

import csv
import io
import zipfile
from xml.etree import ElementTree

import pypdfium2
import pytest
import zxingcpp

from inventory.models import Need
from tests.api.world import length

UBL = "urn:oasis:names:specification:ubl:schema:xsd:Order-2"


@pytest.fixture
def order(world):
    return f"/purchase-lists/{world.bought()['id']}/order"


def test_each_kind_with_its_media_type(world, order):
    found = {
        ending: world.program.get(f"{order}?format={ending}") for ending in ("pdf", "csv", "xlsx", "xml")
    }
    assert {ending: answer["Content-Type"].partition(";")[0] for ending, answer in found.items()} == {
        "pdf": "application/pdf",
        "csv": "text/csv",
        "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
        "xml": "application/xml",
    }
    assert all(answer["Content-Disposition"].startswith("attachment; ") for answer in found.values())
    assert found["pdf"].content.startswith(b"%PDF-")
    assert zipfile.is_zipfile(io.BytesIO(found["xlsx"].content))
    assert ElementTree.fromstring(found["xml"].content).tag == f"{{{UBL}}}Order"
    assert "2.700" in found["csv"].content.decode("utf-8-sig")
    assert len(list(csv.reader(io.StringIO(found["csv"].content.decode("utf-8-sig"))))) >= 2


def test_the_code_on_the_pdf_is_the_address_of_the_lists_page(world, order):
    pdf = pypdfium2.PdfDocument(world.program.get(order).content)
    (found,) = zxingcpp.read_barcodes(pdf[0].render(scale=203 / 72).to_pil())
    pk = order.split("/")[2]
    assert found.text == f"http://testserver/at/north/purchases/{pk}"


def test_what_is_accepted(world, order):
    assert world.program.get(order, Accept="application/pdf").status_code == 200
    assert world.program.get(order, Accept="image/png").status_code == 406
    assert world.program.get(f"{order}?format=docx").status_code == 400


def test_the_other_sites_order_is_not_there(world, order, stranger):
    assert stranger.get(order).status_code == 404


def test_the_list_has_each_of_several_alike_also_page_by_page(world):
    body = {"family": world.family, "thickness": length("2.700"), "quantity": 3, "note": "alike"}
    first = world.program.done("/needs", body)["id"]
    for order in ("", "&ordering=created_at", "&ordering=thickness"):
        found, cursor = [], ""
        while cursor is not None:
            page = world.program.get(f"/needs?origin=hand&limit=1{order}{cursor}").json()
            found += [need["id"] for need in page["items"] if need["note"] == "alike"]
            cursor = f"&cursor={page['next_cursor']}" if page["next_cursor"] else None
        assert first in found
        assert len(set(found)) == len(found) == 3
    assert {str(need.pk) for need in Need.objects.filter(note="alike")} == set(found)


def test_two_needs_for_stock(world):
    body = {"family": world.family, "thickness": length("2.700"), "quantity": 2, "note": "for the van"}
    made = world.program.done("/needs", body)
    assert (made["origin"], made["job"], made["note"]) == ("hand", None, "for the van")
    assert Need.objects.filter(origin="hand").count() == 2
    assert world.program.get(f"/needs/{made['id']}").json() == made
