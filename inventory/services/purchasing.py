"""What jobs lack: noted as needs, gathered into a list per supplier, bought; receiving.py takes it in."""

import uuid
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db.models import F, Max

from inventory.compute.lengths import show
from inventory.compute.money import MINOR_DIGITS, line_amount
from inventory.compute.sizes import no_such_size
from inventory.models import Need, Offer, PurchaseEvent, PurchaseLine, PurchaseList, ShimFamily, Supplier
from inventory.services.hold_times import keep_while_waiting
from inventory.services.ledger import MOST_LINES, MOST_QUANTITY
from inventory.services.list_events import note
from inventory.services.texts import in_words
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import FieldError, Invalid, StaleVersion, WrongState
from shop.models import Site
from shop.roles import Action

STOCK_ARRIVED = "stock_arrived"
# SQLite would take a need without a date for the most urgent, PostgreSQL for the least.
MOST_URGENT_FIRST = (F("needed_by").asc(nulls_last=True), "created_at", "id")


@dataclass(frozen=True, slots=True, kw_only=True)
class Lack:
    """One shim that a job's plan wants bought.

    line: it is on its way already, on that line of a list. would_do_nm: every thickness that would do, where
    it is more than the one that the plan names; window: of which window those are.
    """

    thickness_nm: int
    valve_label: str
    line: PurchaseLine | None = None
    would_do_nm: tuple[int, ...] = ()
    window: str = "exact"


@dataclass(frozen=True, slots=True, kw_only=True)
class Buy:
    """So many of one size for a purchase list."""

    family: ShimFamily
    thickness_nm: int
    quantity: int


@write_transaction
def note_needs(
    *,
    site: Site,
    at: datetime,
    family: ShimFamily,
    job_id: uuid.UUID,
    job_label: str,
    needed_by: datetime | None,
    lacks: Sequence[Lack],
) -> list[Need]:
    """Note what an accepted plan lacks, in place of what the job lacked before."""
    cancel_needs(job_id=job_id)
    return Need.objects.bulk_create(
        Need(
            site=site,
            family=family,
            thickness_nm=lack.thickness_nm,
            job_id=job_id,
            job_label=job_label,
            valve_label=lack.valve_label,
            would_do_nm=sorted(lack.would_do_nm),
            window=lack.window,
            needed_by=needed_by,
            created_at=at,
            line=lack.line,
            state=Need.State.OPEN if lack.line is None else Need.State.BOUGHT,
        )
        for lack in lacks
    )


@write_transaction
def cancel_needs(*, job_id: uuid.UUID) -> int:
    """A job no longer lacks anything: what was bought for it goes to stock when it comes."""
    return Need.objects.filter(job_id=job_id, state__in=[Need.State.OPEN, Need.State.BOUGHT]).update(
        state=Need.State.CANCELLED
    )


@write_transaction
def mark_bought(
    *, site: Site, actor: Actor, at: datetime, supplier: Supplier, buys: Sequence[Buy]
) -> PurchaseList:
    """One list to one supplier. Open needs of these sizes are covered by it, the most urgent first; what is
    held for their jobs stands until it has had time to come."""
    actor.must(Action.PURCHASE, site)
    _refuse_bad_buys(buys)
    offers = {offer.family_id: offer for offer in Offer.objects.filter(supplier=supplier)}
    bought = PurchaseList.objects.create(
        site=site,
        number=next_number(site),
        supplier=supplier,
        currency=_one_currency(offers[buy.family.id] for buy in buys if buy.family.id in offers),
        created_at=at,
        created_by=actor.label,
    )
    lines = PurchaseLine.objects.bulk_create(_line(bought, buy, offers.get(buy.family.id)) for buy in buys)
    waiting = (
        Need.objects.select_for_update()
        .filter(site=site, state=Need.State.OPEN, line=None, family__in={buy.family.id for buy in buys})
        .order_by(*MOST_URGENT_FIRST)
    )
    by_size = {(line.family_id, line.thickness_nm): line for line in lines}
    left = Counter({line.pk: line.quantity for line in lines})
    covered = []
    for need in waiting:
        line = by_size.get((need.family_id, need.thickness_nm))
        if line is not None and left[line.pk]:
            left[line.pk] -= 1
            need.line, need.state = line, Need.State.BOUGHT
            covered.append(need)
    Need.objects.bulk_update(covered, ["line", "state"])
    keep_while_waiting(jobs={need.job_id for need in covered if need.job_id}, at=at)
    return bought


@write_transaction
def cancel_purchase(
    *, purchase_list: PurchaseList, actor: Actor, at: datetime, version: int | None = None
) -> PurchaseList:
    """The list, or what is left of it, will not come; the needs that it leaves are to buy again. One of which
    something came is closed and not cancelled: what came stays received. `version`: the list's that the
    caller saw; StaleVersion where it changed since, so that nobody calls off a rest instead of a list."""
    actor.must(Action.PURCHASE, purchase_list.site)
    purchase_list = PurchaseList.objects.select_for_update(of=("self",)).get(pk=purchase_list.pk)
    refuse_closed(purchase_list)
    refuse_changed(purchase_list, version)
    began = purchase_list.state == PurchaseList.State.PARTLY
    Need.objects.filter(
        line__purchase_list=purchase_list, state__in=[Need.State.OPEN, Need.State.BOUGHT]
    ).update(state=Need.State.OPEN, line=None)
    purchase_list.state = PurchaseList.State.CLOSED if began else PurchaseList.State.CANCELLED
    purchase_list.closed_at = at
    purchase_list.version += 1
    purchase_list.save(update_fields=["state", "closed_at", "version"])
    text = _closed_in_words(purchase_list) if began else "Cancelled; what it had is to buy again."
    note(purchase_list, "cancel", by=actor.label, at=at, text=text)
    return purchase_list


def _closed_in_words(purchase_list: PurchaseList) -> str:
    lines = list(purchase_list.lines.all())
    came = sum(line.received for line in lines)
    ordered = sum(line.quantity for line in lines)
    rest = "; ".join(
        f"{line.quantity - line.received} × {show(line.thickness_nm)} mm"
        for line in lines
        if line.received < line.quantity
    )
    most = PurchaseEvent._meta.get_field("text").max_length
    text = f"Closed: {came} of {ordered} shims came and stay received; the rest is called off: {rest}."
    return text if len(text) <= most else f"{text[: most - 2]} …"


def next_number(site: Site) -> int:
    """The number of the site's next list. Call it in the transaction that makes the list: two at once would
    take the same. NO KEY: whoever books a movement refers to the site's row.
    """
    Site.objects.select_for_update(no_key=True).get(pk=site.pk)
    return (PurchaseList.objects.filter(site=site).aggregate(last=Max("number"))["last"] or 0) + 1


def _one_currency(offers: Iterable[Offer]) -> str:
    """That of these prices; empty where there is none, or more than one: then there is no sum of them."""
    found = {offer.currency for offer in offers}
    return found.pop() if len(found) == 1 else ""


def _line(bought: PurchaseList, buy: Buy, offer: Offer | None) -> PurchaseLine:
    return PurchaseLine(
        purchase_list=bought,
        family=buy.family,
        thickness_nm=buy.thickness_nm,
        quantity=buy.quantity,
        price=offer.price if offer else None,
        currency=offer.currency if offer else "",
        amount=line_amount(offer.price, buy.quantity, offer.currency)
        if offer and offer.currency in MINOR_DIGITS
        else None,
    )


def refuse_closed(purchase_list: PurchaseList) -> None:
    if purchase_list.state not in PurchaseList.OPEN:
        raise WrongState(
            f"{purchase_list} is {purchase_list.get_state_display().lower()} already; nothing was changed.",
            extra={"state": purchase_list.state},
        )


def refuse_changed(purchase_list: PurchaseList, version: int | None) -> None:
    """Raise StaleVersion, saying what was done, for a list that changed since `version` was seen; None was
    not asked about."""
    if version is None or purchase_list.version == version:
        return
    # A claim changes nothing about the list.
    last = purchase_list.events.exclude(act="claim").last()
    did = "received part of" if last is not None and last.act == "receive" else "changed"
    raise StaleVersion(
        f"Somebody {did} {purchase_list} meanwhile; nothing was booked. Look at it again.",
        extra={"version": purchase_list.version},
    )


def _refuse_bad_buys(buys: Sequence[Buy]) -> None:
    most = MOST_LINES // 2  # so that all of it can be received in one movement
    errors = []
    for index, buy in enumerate(buys):
        if not 1 <= buy.quantity <= MOST_QUANTITY:
            errors.append(FieldError(f"/lines/{index}/quantity", f"must be 1 to {MOST_QUANTITY:,}"))
        if words := no_such_size(buy.family.range, buy.thickness_nm, buy.family.name):
            errors.append(FieldError(f"/lines/{index}/thickness", words))
    if len({(buy.family.id, buy.thickness_nm) for buy in buys}) < len(buys):
        errors.append(FieldError("/lines", "name each size once"))
    if not 1 <= len(buys) <= most:
        errors.append(FieldError("/lines", f"name 1 to {most} sizes; these are {len(buys)}"))
    if errors:
        raise Invalid(in_words("Nothing was marked as bought", errors), errors=errors)
