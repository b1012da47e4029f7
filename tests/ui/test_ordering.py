"""From what is to buy to an order on its way, as the parts counter does it on pages."""

import pytest
from django.core import mail

from inventory.models import Need, PurchaseList, Supplier
from inventory.services.minimums import set_minimum
from tests.inventory.buying import work
from tests.jobs.shop import AT
from tests.ui.pages import fields_of, text_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def draft(counter_screen, shop):
    """The draft that the choice makes of what the waiting job lacks."""
    Supplier.objects.filter(code="far").update(email="orders@far.example")
    page = counter_screen.post("choose")
    assert "Being worked out" in text_of(page)
    work()
    return PurchaseList.objects.get(site=shop.site, state="draft")


def test_the_choice_says_why_and_what_it_saves(counter_screen, draft):
    words = text_of(counter_screen.get("drafts"))
    assert "No cheaper way exists; this is proven." in words
    assert "Cheapest for 1" in words or "asks less" in words
    assert f"No. {draft.number}" in words


def test_a_draft_is_changed_approved_sent_and_sent_again(counter_screen, shop, draft):
    line = draft.lines.get()
    asked = fields_of(counter_screen.get("purchase", draft.pk))
    page = counter_screen.post("edit_draft", draft.pk, **asked | {f"packs_{line.pk}": "3"})
    assert "is changed" in text_of(page)
    stale = counter_screen.post("edit_draft", draft.pk, **asked | {f"packs_{line.pk}": "1"})
    assert "meanwhile" in text_of(stale)
    wrong = counter_screen.post("edit_draft", draft.pk, **asked | {f"packs_{line.pk}": "many"})
    assert wrong.status_code == 400
    line.refresh_from_db()
    assert line.quantity == 3
    assert "3 ×" in text_of(counter_screen.get("purchase", draft.pk))
    for name, said in (("approve_list", "is approved"), ("send_list", "goes to orders@far.example")):
        asked = fields_of(counter_screen.get("purchase", draft.pk))
        assert said in text_of(counter_screen.post(name, draft.pk, version=asked["version"]))
    again = counter_screen.post("send_list", draft.pk, version=asked["version"])
    assert "meanwhile" in text_of(again)
    work()
    asked = fields_of(counter_screen.get("purchase", draft.pk))
    counter_screen.post("note_reference", draft.pk, version=asked["version"], reference="F 12")
    asked = fields_of(counter_screen.get("purchase", draft.pk))
    assert asked["reference"] == "F 12"
    counter_screen.post("send_again", draft.pk, version=asked["version"])
    work()
    assert [message.subject[:4] for message in mail.outbox] == ["Orde", "Copy"]
    words = text_of(counter_screen.get("purchase", draft.pk))
    assert "Sent again, as a copy" in words
    assert "2 times" in words


@pytest.mark.parametrize(
    ("ending", "kind", "begins"),
    [
        ("pdf", "application/pdf", b"%PDF"),
        ("csv", "text/csv", b"order,line"),
        ("xlsx", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", b"PK"),
        ("xml", "application/xml", b"<?xml"),
    ],
)
def test_papers(counter_screen, draft, ending, kind, begins):
    paper = counter_screen.get("order_paper", draft.pk, ending)
    assert paper["Content-Type"] == kind
    assert paper["Content-Disposition"].startswith("attachment;")
    assert paper.content.startswith(begins)


def test_a_draft_can_be_changed_again_until_it_is_sent(counter_screen, draft):
    counter_screen.post("approve_list", draft.pk)
    counter_screen.post("reopen_list", draft.pk)
    draft.refresh_from_db()
    assert draft.state == "draft"


def test_shims_for_stock_are_put_on_the_list_by_hand(counter_screen, shop):
    asked, family = fields_of(counter_screen.get("add_need")), str(shop.workshop.family.pk)
    keyed = asked | {"family": family, "thickness": "2.700", "quantity": "2", "note": "for May"}
    page = counter_screen.post("add_need", **keyed)
    assert "It stands on the list" in text_of(page)
    counter_screen.post("add_need", **keyed)
    assert Need.objects.filter(origin="hand", note="for May").count() == 2
    assert "for May" in text_of(counter_screen.get("to_buy"))
    wrong = counter_screen.post(
        "add_need",
        **fields_of(counter_screen.get("add_need"))
        | {"family": str(shop.workshop.family.pk), "thickness": "2.333", "quantity": "1"},
    )
    assert "is no size" in text_of(wrong)
    assert "the nearest made size is 2.325 mm" in text_of(wrong)


@pytest.mark.parametrize(
    ("name", "keyed", "says"),
    [
        # 0.1043 in is 2.64922 mm (1 in = 25.4 mm exactly).
        ("thickness", "0.1043", "0.1043 in (2.64922 mm) was probably meant"),
        ("thickness", "270", "The marking 270 (2.700 mm) was probably meant"),
        ("quantity", "201", "Must be 200 or less."),
    ],
)
def test_what_can_be_no_shim_and_too_many_say_what_would_be_right(counter_screen, shop, name, keyed, says):
    asked = fields_of(counter_screen.get("add_need"))
    right = {"family": str(shop.workshop.family.pk), "thickness": "2.700", "quantity": "2"}
    page = counter_screen.post("add_need", **asked | right | {name: keyed})
    assert page.status_code == 400
    assert says in text_of(page)
    assert not Need.objects.filter(origin="hand").exists()


def test_what_is_low_is_put_on_the_list_once(counter_screen, bay_tablet, shop, boss):
    family = shop.workshop.family
    set_minimum(site=shop.site, actor=boss, at=AT, family=family, thickness_nm=3_200_000, minimum=2)
    assert "Put on the list to keep in stock: 2 shims." in text_of(counter_screen.post("restock"))
    assert Need.objects.filter(origin="restock", thickness_nm=3_200_000).count() == 2
    assert "Nothing is missing of what is kept in stock." in text_of(counter_screen.post("restock"))
    assert bay_tablet.post("restock").status_code == 403
