"""What to buy where: chosen in the background, drafted, changed, approved, sent, received."""

from datetime import timedelta
from decimal import Decimal

import pytest
from django.core import mail

from inventory.models import Hold, Need, PurchaseLine, PurchaseList
from inventory.services.catalogue import add_offer, add_supplier
from inventory.services.choosing import ask_for_choice
from inventory.services.ordering import (
    approve_list,
    edit_list,
    note_reference,
    reopen_list,
    send_again,
    send_list,
)
from inventory.services.purchasing import Lack, cancel_needs, cancel_purchase, note_needs
from inventory.services.receiving import receive_purchase
from inventory.services.terms import set_rate
from shop.errors import Forbidden, Invalid, StaleVersion, WrongState
from shop.ids import new_id
from shop.models import Task
from tests.inventory.buying import SIZES, chosen, price_list, terms, work

pytestmark = pytest.mark.django_db
THIN, MIDDLE, THICK = SIZES


@pytest.fixture
def norrbeck(service, family):
    supplier = add_supplier(actor=service, code="norrbeck", name="Norrbeck & Daughter", lead_days=1)
    supplier = terms(service, supplier, delivery_fee=Decimal("6.00"), email="orders@norrbeck.example")
    price_list(service, supplier, family, "3.00")
    return supplier


@pytest.fixture
def alvsund(service, family):
    """Cheaper, in packs of five, and slow."""
    supplier = add_supplier(actor=service, code="alvsund", name="Alvsund Grinding", lead_days=9)
    supplier = terms(service, supplier, delivery_fee=Decimal("4.00"))
    price_list(service, supplier, family, "9.00", pack=5, prefix="A")
    return supplier


@pytest.fixture
def lack(site, family):
    def act(*sizes, at, label="Job 4", job=None, needed_by=None, would_do=()):
        return note_needs(
            site=site,
            at=at,
            family=family,
            job_id=job or new_id(),
            job_label=label,
            needed_by=needed_by,
            lacks=[
                Lack(thickness_nm=nm, valve_label=f"V{n}", would_do_nm=tuple(would_do))
                for n, nm in enumerate(sizes)
            ],
        )

    return act


def lines(draft):
    return {
        (line.thickness_nm, line.part_number): (line.packs, line.amount)
        for line in PurchaseLine.objects.filter(purchase_list=draft)
    }


def test_one_list_for_two_jobs_with_the_reasons(site, clerk, at, lack, norrbeck, alvsund):
    needs = lack(THIN, MIDDLE, at=at) + lack(THIN, at=at, label="Job 7")
    choice, drafts = chosen(site, clerk, at)
    assert set(drafts) == {"norrbeck"}
    draft = drafts["norrbeck"]
    assert lines(draft) == {
        (THIN, "S-2625"): (2, Decimal("6.00")),
        (MIDDLE, "S-2650"): (1, Decimal("3.00")),
    }
    assert (draft.delivery, draft.currency, draft.created_by) == (Decimal("6.00"), "EUR", clerk.label)
    assert {need.line.purchase_list_id for need in Need.objects.select_related("line")} == {draft.pk}
    assert all(Need.objects.get(pk=need.pk).state == "open" for need in needs)
    result = choice.result
    assert (result["total"], result["alone"], result["saves"]) == ("15.00", "27.00", "12.00")
    assert result["proven"] is True
    assert all(line.why for line in PurchaseLine.objects.all())


def test_a_neighbouring_size_completes_a_pack(site, clerk, at, lack, alvsund):
    lack(THIN, at=at)
    lack(MIDDLE, at=at, label="Job 7", would_do=(THIN, MIDDLE))
    _, drafts = chosen(site, clerk, at)
    assert lines(drafts["alvsund"]) == {(THIN, "A-2625"): (1, Decimal("9.00"))}
    assert Need.objects.exclude(line=None).count() == 2


def test_a_price_for_a_whole_family_is_an_offer_too(site, clerk, at, lack, service, family):
    supplier = add_supplier(actor=service, code="brandt", name="Brandt Parts", lead_days=2)
    add_offer(actor=service, supplier=supplier, family=family, price=Decimal("4.20"), currency="EUR")
    lack(THIN, at=at)
    _, drafts = chosen(site, clerk, at)
    assert lines(drafts["brandt"]) == {(THIN, ""): (1, Decimal("4.20"))}


def test_other_currencies_take_a_rate(site, clerk, at, boss, lack, norrbeck, service):
    terms(service, norrbeck, currency="JPY")
    lack(THIN, at=at)
    choice, drafts = chosen(site, clerk, at)
    assert drafts == {}
    assert "no rate" in choice.result["unmet"][0]["reason"]
    set_rate(actor=boss, at=at, currency="jpy", rate=Decimal("0.0061"))
    _, drafts = chosen(site, clerk, at)
    assert drafts["norrbeck"].currency == "JPY"
    assert [line.amount for line in drafts["norrbeck"].lines.all()] == [3]
    with pytest.raises(Invalid, match="own currency"):
        set_rate(actor=boss, at=at, currency="EUR", rate=Decimal(1))


def test_choosing_again_takes_the_same_draft_and_keeps_locked_lines(site, clerk, at, lack, norrbeck, alvsund):
    lack(THIN, at=at)
    _, drafts = chosen(site, clerk, at)
    draft = drafts["norrbeck"]
    line = draft.lines.get()
    draft = edit_list(
        purchase_list=draft,
        actor=clerk,
        at=at,
        packs={line.pk: 3},
        locked={line.pk: True},
        version=draft.version,
    )
    lack(MIDDLE, at=at)
    _, again = chosen(site, clerk, at)
    assert again["norrbeck"].pk == draft.pk
    assert lines(draft) == {
        (THIN, "S-2625"): (3, Decimal("9.00")),
        (MIDDLE, "S-2650"): (1, Decimal("3.00")),
    }
    assert [event.act for event in draft.events.all()] == ["choose", "edit", "choose"]


def test_a_draft_for_which_there_is_no_more_need_is_called_off(site, clerk, at, lack, norrbeck):
    job = new_id()
    lack(THIN, at=at, job=job)
    _, drafts = chosen(site, clerk, at)
    cancel_needs(job_id=job)
    _, again = chosen(site, clerk, at)
    assert again == {}
    assert PurchaseList.objects.get(pk=drafts["norrbeck"].pk).state == "cancelled"


def test_two_people_on_one_draft(site, clerk, boss, at, lack, norrbeck):
    lack(THIN, at=at)
    _, drafts = chosen(site, clerk, at)
    draft = drafts["norrbeck"]
    line = draft.lines.get()
    seen = draft.version
    edit_list(purchase_list=draft, actor=clerk, at=at, packs={line.pk: 4}, version=seen)
    with pytest.raises(StaleVersion, match="meanwhile"):
        edit_list(purchase_list=draft, actor=boss, at=at, packs={line.pk: 1}, version=seen)
    line.refresh_from_db()
    assert (line.quantity, line.amount) == (4, Decimal("12.00"))


def test_what_an_edit_leaves_without_a_shim_is_to_buy_again(site, clerk, at, lack, norrbeck):
    first = lack(THIN, at=at, needed_by=at + timedelta(days=1))
    second = lack(THIN, at=at, needed_by=at + timedelta(days=9))
    _, drafts = chosen(site, clerk, at)
    draft = drafts["norrbeck"]
    line = draft.lines.get()
    draft = edit_list(purchase_list=draft, actor=clerk, at=at, packs={line.pk: 1})
    assert Need.objects.get(pk=first[0].pk).line_id == line.pk
    assert Need.objects.get(pk=second[0].pk).line_id is None
    draft = edit_list(purchase_list=draft, actor=clerk, at=at, packs={line.pk: 0})
    assert draft.lines.count() == 0
    assert draft.delivery == 0
    with pytest.raises(WrongState, match="empty"):
        approve_list(purchase_list=draft, actor=clerk, at=at)
    _, drafts = chosen(site, clerk, at)
    line = drafts["norrbeck"].lines.get()
    with pytest.raises(Invalid, match="0 to"):
        edit_list(purchase_list=drafts["norrbeck"], actor=clerk, at=at, packs={line.pk: -1})


def test_the_limit_is_by_role(site, clerk, tech, boss, at, lack, norrbeck, settings):
    settings.COLDGAP = settings.COLDGAP | {"PURCHASE_LIMIT": "8.99"}
    lack(THIN, at=at)
    _, drafts = chosen(site, clerk, at)
    draft = drafts["norrbeck"]
    with pytest.raises(Forbidden, match="limit"):
        approve_list(purchase_list=draft, actor=clerk, at=at)
    with pytest.raises(Forbidden, match="may not"):
        approve_list(purchase_list=draft, actor=tech, at=at)
    with pytest.raises(Forbidden, match="may not"):
        ask_for_choice(site=site, actor=tech, at=at)
    approved = approve_list(purchase_list=draft, actor=boss, at=at)
    assert (approved.state, approved.approved_by) == ("approved", boss.label)
    settings.COLDGAP = settings.COLDGAP | {"PURCHASE_LIMIT": "9.00"}
    again = reopen_list(purchase_list=approved, actor=clerk, at=at)
    assert approve_list(purchase_list=again, actor=clerk, at=at).state == "approved"


def test_sent_once_however_often_it_is_sent(site, clerk, at, lack, norrbeck):
    lack(THIN, at=at)
    _, drafts = chosen(site, clerk, at)
    draft = drafts["norrbeck"]
    with pytest.raises(WrongState, match="approved"):
        send_list(purchase_list=draft, actor=clerk, at=at)
    approved = approve_list(purchase_list=draft, actor=clerk, at=at)
    sent = send_list(purchase_list=approved, actor=clerk, at=at, version=approved.version)
    with pytest.raises(StaleVersion, match="meanwhile"):
        send_list(purchase_list=approved, actor=clerk, at=at, version=approved.version)
    with pytest.raises(WrongState, match="bought"):
        send_list(purchase_list=approved, actor=clerk, at=at)
    assert Need.objects.get().state == "bought"
    work()
    again = send_again(purchase_list=sent, actor=clerk, at=at)
    work()
    for task in Task.objects.filter(kind="mail_order"):
        assert task.state == "done"
    first, copy = mail.outbox
    assert (first.subject[:6], copy.subject[:4]) == ("Order ", "Copy")
    assert {message.extra_headers["X-Order-Number"] for message in mail.outbox} == {f"NORTH-{sent.number}"}
    assert first.to == ["orders@norrbeck.example"]
    assert PurchaseList.objects.count() == 1
    assert again.sent_times == 2
    kept = note_reference(purchase_list=again, actor=clerk, at=at, reference="NB 4711")
    assert kept.reference == "NB 4711"


def test_shortages_in_two_bays_and_a_restock_become_one_list_in_two_parts(
    site, clerk, at, lack, norrbeck, bins, family
):
    soon, later = new_id(), new_id()
    lack(MIDDLE, at=at, job=later, label="Job 5", needed_by=at + timedelta(days=20))
    lack(MIDDLE, at=at, job=soon, label="Job 2", needed_by=at + timedelta(days=10))
    Need.objects.create(
        site=site, family=family, thickness_nm=MIDDLE, origin=Need.Origin.RESTOCK, created_at=at
    )
    _, drafts = chosen(site, clerk, at)
    sent = send_list(
        purchase_list=approve_list(purchase_list=drafts["norrbeck"], actor=clerk, at=at), actor=clerk, at=at
    )
    line = sent.lines.get()
    assert line.quantity == 3
    part = receive_purchase(
        purchase_list=sent, actor=clerk, at=at, received={line.pk: 1}, version=sent.version
    )
    assert part.state == "partly"
    with pytest.raises(StaleVersion, match="meanwhile"):
        receive_purchase(purchase_list=sent, actor=clerk, at=at, received={line.pk: 1}, version=sent.version)
    assert [hold.job_id for hold in Hold.objects.all()] == [soon]
    whole = receive_purchase(
        purchase_list=part, actor=clerk, at=at, received={line.pk: 2}, version=part.version
    )
    assert whole.state == "received"
    assert [hold.job_id for hold in Hold.objects.order_by("pk")] == [soon, later]
    assert set(Need.objects.values_list("state", flat=True)) == {"met"}
    with pytest.raises(WrongState, match="already"):
        receive_purchase(purchase_list=whole, actor=clerk, at=at, received={line.pk: 1})


def test_a_cancelled_draft_gives_its_needs_back(site, clerk, at, lack, norrbeck):
    lack(THIN, at=at)
    _, drafts = chosen(site, clerk, at)
    line = drafts["norrbeck"].lines.get()
    with pytest.raises(WrongState, match="on its way"):
        receive_purchase(purchase_list=drafts["norrbeck"], actor=clerk, at=at, received={line.pk: 1})
    cancel_purchase(purchase_list=drafts["norrbeck"], actor=clerk, at=at)
    need = Need.objects.get()
    assert (need.state, need.line_id) == ("open", None)
