"""A purchase list's way from draft to order: changed, approved, sent, sent again without ordering twice."""

import uuid
from collections.abc import Mapping
from datetime import datetime
from decimal import Decimal
from fractions import Fraction
from zoneinfo import ZoneInfo

from django.db.models import F, Q

from inventory.compute.lengths import show
from inventory.compute.money import line_amount, rounded, show_money, total
from inventory.compute.purchase import Break, Offered, Size
from inventory.compute.purchase.pricing import goods
from inventory.models import ExchangeRate, Need, PartPrice, PurchaseLine, PurchaseList
from inventory.services.hold_times import keep_while_waiting
from inventory.services.ledger import MOST_QUANTITY
from inventory.services.list_events import note
from inventory.services.texts import in_words, text_errors
from shop.actor import Actor
from shop.background.queue import queue_task
from shop.conf import conf
from shop.db import write_transaction
from shop.errors import FieldError, Invalid, NotFound, StaleVersion, WrongState
from shop.roles import Action

MAIL_ORDER = "mail_order"
_LEAST_URGENT_FIRST = (F("needed_by").desc(nulls_first=True), "-created_at", "-id")
State = PurchaseList.State


@write_transaction
def edit_list(
    *,
    purchase_list: PurchaseList,
    actor: Actor,
    at: datetime,
    packs: Mapping[uuid.UUID, int] | None = None,
    locked: Mapping[uuid.UUID, bool] | None = None,
    version: int | None = None,
) -> PurchaseList:
    """Other numbers of packs on a draft's lines, 0 takes a line off; lines that are locked stay as they are
    when the choice is made again. Needs for which there is no longer a shim are to buy again.

    `version`: the list's version that the caller saw; StaleVersion when somebody changed it since.
    """
    found = _begin(purchase_list, actor, Action.PURCHASE, version, State.DRAFT)
    lines = {line.pk: line for line in found.lines.select_related("family")}
    packs, locked = packs or {}, locked or {}
    if unknown := (set(packs) | set(locked)) - set(lines):
        raise NotFound(f"The list has no line {min(map(str, unknown))}.")
    most = {pk: MOST_QUANTITY // lines[pk].pack for pk in packs}
    errors = [
        FieldError(f"/lines/{pk}/packs", f"must be 0 to {most[pk]}")
        for pk, count in packs.items()
        if not 0 <= count <= most[pk]
    ]
    if errors:
        raise Invalid(in_words("The list stays as it is", errors), errors=errors)
    words = []
    for pk, line in lines.items():
        was = line.packs
        if packs.get(pk, was) != was:
            words.append(f"{_named(line)}: {was} to {packs[pk]}")
            line.quantity = packs[pk] * line.pack
            if packs[pk]:
                line.price, line.amount = priced(found, line, at)
        if locked.get(pk, line.locked) != line.locked:
            line.locked = locked[pk]
            words.append(f"{_named(line)} {'locked' if line.locked else 'unlocked'}")
    if not words:
        return found
    kept = [line for line in lines.values() if line.quantity]
    for line in lines.values():
        _let_go(line)
    PurchaseLine.objects.bulk_update(kept, ["quantity", "price", "amount", "locked"])
    PurchaseLine.objects.filter(pk__in=[pk for pk, line in lines.items() if not line.quantity]).delete()
    found.delivery = delivery_of(found, kept)
    return _finish(found, "edit", actor, at, "; ".join(words), ["delivery"])


@write_transaction
def approve_list(
    *, purchase_list: PurchaseList, actor: Actor, at: datetime, version: int | None = None
) -> PurchaseList:
    """A draft may be ordered. Above the shop's limit, or with an amount not known, that takes a manager."""
    found = _begin(purchase_list, actor, Action.PURCHASE, version, State.DRAFT)
    lines = list(found.lines.all())
    if not lines:
        raise WrongState(f"{found} is empty; there is nothing to approve.")
    ours = in_shops_currency(found, lines)
    if ours is None or ours > Fraction(conf.purchase_limit):
        actor.must(Action.APPROVE_PURCHASE, found.site)
    found.state, found.approved_at, found.approved_by = State.APPROVED, at, actor.label
    text = f"Approved: {show_money(list_total(found, lines), found.currency or conf.currency)}."
    return _finish(found, "approve", actor, at, text, ["state", "approved_at", "approved_by"])


@write_transaction
def reopen_list(
    *, purchase_list: PurchaseList, actor: Actor, at: datetime, version: int | None = None
) -> PurchaseList:
    """An approved list is a draft again, to be changed. Raises WrongState where the supplier has another."""
    found = _begin(purchase_list, actor, Action.PURCHASE, version, State.APPROVED)
    others = PurchaseList.objects.filter(site=found.site, supplier=found.supplier, state=State.DRAFT)
    if others.exists():
        raise WrongState(f"There is a newer draft for {found.supplier}; change that one.")
    found.state, found.approved_at, found.approved_by = State.DRAFT, None, ""
    return _finish(
        found, "reopen", actor, at, "Opened again for changes.", ["state", "approved_at", "approved_by"]
    )


@write_transaction
def send_list(
    *, purchase_list: PurchaseList, actor: Actor, at: datetime, version: int | None = None
) -> PurchaseList:
    """Order what was approved: by e-mail where the supplier has an address, else it is sent by hand. What it
    was drafted for is on its way then.
    """
    found = _begin(purchase_list, actor, Action.PURCHASE, version, State.APPROVED)
    covered = Need.objects.filter(line__purchase_list=found, state=Need.State.OPEN)
    jobs = set(covered.exclude(job_id=None).values_list("job_id", flat=True))
    covered.update(state=Need.State.BOUGHT)
    keep_while_waiting(jobs=jobs, at=at)
    found.state, found.sent_at, found.sent_by = State.BOUGHT, at, actor.label
    found.sent_to, found.sent_times = found.supplier.email, 1
    how = f"by e-mail to {found.sent_to}" if found.sent_to else "by hand; the supplier has no e-mail address"
    done = _finish(
        found,
        "send",
        actor,
        at,
        f"Sent {how}.",
        ["state", "sent_at", "sent_by", "sent_to", "sent_times"],
    )
    _mail(done, at)
    return done


@write_transaction
def send_again(
    *, purchase_list: PurchaseList, actor: Actor, at: datetime, version: int | None = None
) -> PurchaseList:
    """Send an order once more, marked as a copy: the same order under the same number, never a second one."""
    found = _begin(purchase_list, actor, Action.PURCHASE, version, *PurchaseList.ON_THE_WAY)
    if not found.supplier.email:
        raise WrongState(f"{found.supplier} has no e-mail address; take the PDF and send it by hand.")
    found.sent_to, found.sent_times = found.supplier.email, found.sent_times + 1
    done = _finish(
        found,
        "send_again",
        actor,
        at,
        f"Sent again, as a copy, to {found.sent_to}.",
        ["sent_to", "sent_times"],
    )
    _mail(done, at)
    return done


@write_transaction
def note_reference(
    *,
    purchase_list: PurchaseList,
    actor: Actor,
    at: datetime,
    reference: str,
    version: int | None = None,
) -> PurchaseList:
    """Keep what the supplier calls the order."""
    found = _begin(purchase_list, actor, Action.PURCHASE, version, *PurchaseList.ON_THE_WAY)
    wrong = text_errors(PurchaseList, "reference", reference, "/reference")
    if wrong:
        raise Invalid(in_words("The reference was not kept", wrong), errors=wrong)
    found.reference = reference
    return _finish(found, "reference", actor, at, f"The supplier's reference: {reference}.", ["reference"])


def list_total(purchase_list: PurchaseList, lines: list[PurchaseLine]) -> Decimal:
    """Goods and delivery, the sum of rounded amounts; lines without a price count nothing."""
    code = purchase_list.currency or conf.currency
    amounts = [line.amount for line in lines if line.amount is not None]
    return total([rounded(each, code) for each in (*amounts, purchase_list.delivery)], code)


def in_shops_currency(purchase_list: PurchaseList, lines: list[PurchaseLine]) -> Fraction | None:
    """What the list comes to for the shop; None where a line has no price or the currency no rate."""
    if any(line.amount is None for line in lines):
        return None
    amount = Fraction(list_total(purchase_list, lines))
    code = purchase_list.currency or conf.currency
    if code == conf.currency:
        return amount
    rate = ExchangeRate.objects.filter(currency=code).values_list("rate", flat=True).first()
    return None if rate is None else amount * Fraction(rate)


def priced(
    purchase_list: PurchaseList, line: PurchaseLine, at: datetime
) -> tuple[Decimal | None, Decimal | None]:
    """The price of a pack and the line's amount for the packs that it has now, by the prices of the day."""
    code = line.currency or purchase_list.currency or conf.currency
    on = at.astimezone(ZoneInfo(purchase_list.site.time_zone)).date()
    rows = list(
        PartPrice.objects.filter(
            Q(valid_to=None) | Q(valid_to__gte=on),
            supplier=purchase_list.supplier,
            part_number=line.part_number,
            family=line.family,
            thickness_nm=line.thickness_nm,
            pack=line.pack,
            valid_from__lte=on,
        ).order_by("-valid_from", "from_packs")
    )
    rows = [row for row in rows if row.valid_from == rows[0].valid_from]
    if not line.part_number or not rows:
        return line.price, None if line.price is None else line_amount(line.price, line.packs, code)
    offer = Offered(
        key="",
        supplier="",
        size=Size(line.family.code, line.thickness_nm),
        pack=line.pack,
        breaks=tuple(Break(row.from_packs, row.price) for row in rows),
        incremental=rows[0].incremental,
        arrives=at,
    )
    value = goods(offer, line.packs)
    return round(value / line.packs, 4), rounded(value, code)


def delivery_of(purchase_list: PurchaseList, lines: list[PurchaseLine]) -> Decimal:
    """The delivery fee of an order of these lines."""
    supplier = purchase_list.supplier
    value = sum((line.amount for line in lines if line.amount is not None), Decimal(0))
    if not lines or (supplier.free_from is not None and value >= supplier.free_from):
        return Decimal(0)
    return rounded(supplier.delivery_fee, purchase_list.currency or conf.currency)


def _begin(
    purchase_list: PurchaseList, actor: Actor, action: Action, version: int | None, *states: str
) -> PurchaseList:
    actor.must(action, purchase_list.site)
    rows = PurchaseList.objects.select_for_update(of=("self",)).select_related("site", "supplier")
    found = rows.get(pk=purchase_list.pk)
    if version is not None and found.version != version:
        raise StaleVersion(f"Somebody changed {found} meanwhile; nothing was done. Look at it again.")
    if found.state not in states:
        words = " or ".join(State(state).label.lower() for state in states)
        raise WrongState(
            f"{found} is {found.get_state_display().lower()}; this takes one that is {words}.",
            extra={"state": found.state},
        )
    return found


def _finish(
    found: PurchaseList, act: str, actor: Actor, at: datetime, text: str, fields: list[str]
) -> PurchaseList:
    found.version += 1
    found.save(update_fields=[*fields, "version"])
    note(found, act, by=actor.label, at=at, text=text)
    return found


def _mail(found: PurchaseList, at: datetime) -> None:
    """Once for every time it is sent: a task that is queued twice would be the same one."""
    if found.sent_to:
        queue_task(
            MAIL_ORDER,
            {"list": str(found.pk), "copy": found.sent_times},
            at=at,
            site=found.site,
            dedupe_key=f"{MAIL_ORDER}:{found.pk}:{found.sent_times}",
        )


def _let_go(line: PurchaseLine) -> None:
    """Needs beyond what the line still brings are to buy again, the least urgent first."""
    needs = list(line.needs.filter(state=Need.State.OPEN).order_by(*_LEAST_URGENT_FIRST))
    too_many = needs[: max(0, len(needs) - line.quantity)]
    Need.objects.filter(pk__in=[need.pk for need in too_many]).update(line=None)
    if not line.quantity:
        line.needs.update(line=None)


def _named(line: PurchaseLine) -> str:
    return f"{show(line.thickness_nm)} mm" + (f" ({line.part_number})" if line.part_number else "")
