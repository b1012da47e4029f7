"""A shortage in bay 2, one in bay 5 and a restock need become one order, which comes in two parts."""

from datetime import timedelta
from decimal import Decimal

import pytest
import time_machine

from inventory.models import Hold, Need, PurchaseList, Receipt
from inventory.services.catalogue import add_bin, add_supplier
from inventory.services.minimums import set_minimum
from inventory.services.needing import restock
from inventory.services.ordering import approve_list, send_list
from inventory.services.receiving import receive_purchase
from jobs.models import Job, Plan
from jobs.services.fitting import fit_job
from jobs.services.handing_out import hand_out_job
from jobs.services.promising import set_promise
from jobs.services.readings import key_clearances
from jobs.services.sign_off import sign_off_job
from shop.background.work import work_once
from tests.inventory.buying import chosen, price_list, terms
from tests.jobs.shop import AT, feel

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)
WANTED, BOUGHT = 2_775_000, 2_800_000
READINGS = {"1-IN": "8 thou", "1-EX": "12 thou", "2-IN": "5 thou", "2-EX": "12 thou"}


@pytest.fixture
def bays(workshop, tech):
    """Five bays; in bay 2 and bay 5 an engine whose 2-IN wants a shim that nobody has. Bay 5 is promised
    first, although bay 2 was there first."""
    lacking = {}
    for number in range(1, 6):
        if number not in (2, 5):
            workshop.bay()
            continue
        job = workshop.read(workshop.job(), READINGS, {"2-IN": "2.850 mm" if number == 2 else "2.875 mm"})
        job = set_promise(job=job, actor=tech, at=AT, promised_at=AT + (9 if number == 2 else 6) * DAY)
        lacking[number] = workshop.held(job)
    return lacking


@pytest.fixture
def supplier(workshop, service):
    """Sells the one size that serves all, in packs of two."""
    for number, nm in enumerate((WANTED, BOUGHT), start=1):
        add_bin(
            site=workshop.site,
            actor=service,
            at=AT,
            code=f"N{number}",
            cabinet="N",
            row=1,
            column=number,
            family=workshop.family,
            size_nm=nm,
        )
    found = add_supplier(actor=service, code="alvsund", name="Alvsund Grinding", lead_days=2)
    found = terms(service, found, delivery_fee=Decimal("6.00"))
    price_list(service, found, workshop.family, "5.00", pack=2, sizes=(BOUGHT,))
    return found


def work(at):
    with time_machine.travel(at):
        work_once()


def states(bays):
    return {number: Job.objects.get(pk=job.pk).state for number, job in bays.items()}


def test_from_two_shortages_to_a_clean_audit(workshop, bays, supplier, clerk, tech, boss, books):
    site = workshop.site
    assert states(bays) == {2: "waiting", 5: "waiting"}
    # Bay 2's plan names another size; the one that is sold lies in its guaranteed window.
    planned = {need.job_id: (need.thickness_nm, need.window) for need in Need.objects.all()}
    assert planned[bays[2].pk] == (WANTED, "guaranteed")
    assert planned[bays[5].pk] == (BOUGHT, "guaranteed")
    assert all(BOUGHT in need.would_do_nm for need in Need.objects.all())
    set_minimum(site=site, actor=boss, at=AT, family=workshop.family, thickness_nm=BOUGHT, minimum=2)
    assert [need.origin for need in restock(site=site, actor=clerk, at=AT)] == ["restock"] * 2

    with time_machine.travel(AT):
        _, drafts = chosen(site, clerk, AT)
    (draft,) = drafts.values()
    (line,) = draft.lines.all()
    assert (line.thickness_nm, line.quantity, line.amount) == (BOUGHT, 4, Decimal("10.00"))
    assert {need.line_id for need in Need.objects.all()} == {line.pk}
    order = approve_list(purchase_list=draft, actor=clerk, at=AT)
    order = send_list(purchase_list=order, actor=clerk, at=AT)

    def came(quantity, at, document):
        receive_purchase(
            purchase_list=order,
            actor=clerk,
            at=at,
            received={line.pk: quantity},
            document=document,
            version=PurchaseList.objects.get(pk=order.pk).version,
        )

    # One shim: it is the bay's that is promised first, and held before anybody's hand.
    came(1, AT + 2 * DAY, "note 1")
    assert Hold.objects.get().job_id == bays[5].pk
    work(AT + 2 * DAY)
    assert states(bays) == {2: "waiting", 5: "held"}
    # The rest: bay 2's plan follows the size that came.
    came(3, AT + 3 * DAY, "note 2")
    work(AT + 3 * DAY)
    assert states(bays) == {2: "held", 5: "held"}
    plan = Plan.objects.get(job=bays[2], state=Plan.State.ACCEPTED)
    follows = plan.lines.get(label="2-IN")
    # 5 thou + 0.050 mm, exact.
    assert (follows.thickness_nm, follows.called_nm, follows.guaranteed) == (BOUGHT, 177_000, True)
    assert follows.why.startswith("2.800 mm came for the 2.775 mm that was planned")
    assert set(Need.objects.values_list("state", flat=True)) == {"met"}
    assert [
        (receipt.document, receipt.lead_days, receipt.in_time) for receipt in Receipt.objects.order_by("at")
    ] == [("note 1", 2, True), ("note 2", 3, False)]

    for number in (5, 2):
        at = AT + 3 * DAY
        job = Job.objects.get(pk=bays[number].pk)
        job = hand_out_job(job=job, actor=tech, at=at)
        job = fit_job(job=job, actor=tech, at=at)
        job = key_clearances(
            job=job, actor=tech, at=at, readings={"2-IN": feel("8 thou" if number == 5 else "7 thou")}
        )
        sign_off_job(job=job, actor=tech, at=at)
    assert states(bays) == {2: "signed_off", 5: "signed_off"}
    order.refresh_from_db()
    assert order.state == "received"
    books()
