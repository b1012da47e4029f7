"""Claims to suppliers: opened as a delivery is taken in (receipts.py) or by hand, settled as they answer."""

from collections.abc import Collection
from datetime import datetime
from decimal import Decimal

from django.db.models import Sum

from inventory.compute.lengths import show
from inventory.compute.money import MINOR_DIGITS, rounded
from inventory.models import PurchaseEvent, PurchaseList, ReceiptLine, SupplierClaim, SupplierReturn
from inventory.services.list_events import note as note_event
from inventory.services.texts import counted, in_words, text_errors
from shop.actor import Actor
from shop.conf import conf
from shop.db import write_transaction
from shop.errors import FieldError, Invalid, StaleVersion, WrongState
from shop.roles import Action

State = SupplierClaim.State
SETTLED = (State.CREDITED, State.REPLACED, State.REFUSED)


@write_transaction
def open_claim(
    *, row: ReceiptLine, actor: Actor, at: datetime, kind: str, quantity: int, reason: str
) -> SupplierClaim:
    """Claim by hand what was found of a delivery after it was taken in, or what is to go back. Nothing moves:
    the shims go back by a return that names the claim.

    Raises Invalid for more shims than came of the line and are not claimed yet, and without a reason.
    """
    receipt = row.receipt
    actor.must(Action.PURCHASE, receipt.site)
    order = PurchaseList.objects.select_for_update(of=("self",)).get(pk=receipt.purchase_list_id)
    row = ReceiptLine.objects.select_related("receipt", "line").get(pk=row.pk)
    claimed = row.claims.exclude(reason="").exclude(state=State.REFUSED).aggregate(sum=Sum("quantity"))["sum"]
    left = row.good + row.over - (claimed or 0)
    errors = text_errors(SupplierClaim, "reason", reason, "/reason")
    if not reason.strip():
        errors.append(FieldError("/reason", "say what is wrong"))
    if kind not in SupplierClaim.Kind.values:
        errors.append(FieldError("/kind", f"must be one of {', '.join(SupplierClaim.Kind.values)}"))
    if quantity < 1 or quantity > left:
        of = f"{counted(max(left, 0), 'shim')} of {show(row.line.thickness_nm)} mm"
        errors.append(FieldError("/quantity", f"of this delivery {of} can still be claimed"))
    if errors:
        raise Invalid(in_words("Nothing was claimed", errors), errors=errors)
    claim = SupplierClaim.objects.create(
        site=receipt.site,
        supplier=order.supplier,
        receipt_line=row,
        kind=kind,
        quantity=quantity,
        currency=order.currency or row.line.currency or conf.currency,
        reason=reason,
        opened_at=at,
        opened_by=actor.label,
    )
    words = f"Claimed {quantity} × {show(row.line.thickness_nm)} mm ({claim.get_kind_display().lower()}): "
    most = PurchaseEvent._meta.get_field("text").max_length
    note_event(order, "claim", by=actor.label, at=at, text=f"{words}{reason}"[:most])
    return claim


@write_transaction
def settle_claim(
    *,
    claim: SupplierClaim,
    actor: Actor,
    at: datetime,
    state: str,
    amount: Decimal | None = None,
    note: str = "",
    version: int | None = None,
) -> SupplierClaim:
    """The supplier credits a claim, replaces the shims or refuses both. `amount`: what is credited, in the
    claim's currency; only, and always, for a credit.

    Raises WrongState for a claim that is settled, StaleVersion where it changed since `version` was seen.
    """
    actor.must(Action.PURCHASE, claim.site)
    # The order first, as everything that is done to an order has it.
    order = claim.receipt_line.receipt.purchase_list
    PurchaseList.objects.select_for_update(of=("self",)).get(pk=order.pk)
    claim = SupplierClaim.objects.select_for_update(of=("self",)).select_related("site").get(pk=claim.pk)
    if version is not None and claim.version != version:
        raise StaleVersion("Somebody settled this claim meanwhile; nothing was changed. Look at it again.")
    if claim.state != State.OPEN:
        raise WrongState(
            f"The claim is {claim.get_state_display().lower()} already; nothing was changed.",
            extra={"state": claim.state},
        )
    errors = text_errors(SupplierClaim, "note", note, "/note")
    errors += _bad_amount(state, amount, claim.currency)
    if state not in SETTLED:
        errors.append(FieldError("/state", f"must be one of {', '.join(SETTLED)}"))
    if errors:
        raise Invalid(in_words("The claim stays open", errors), errors=errors)
    claim.state, claim.amount, claim.note = state, amount, note
    claim.settled_at, claim.settled_by = at, actor.label
    claim.version += 1
    claim.save(update_fields=["state", "amount", "note", "settled_at", "settled_by", "version"])
    money = "" if amount is None else f", {amount} {claim.currency}"
    text = f"Claim for {claim.quantity} ({claim.get_kind_display().lower()}): {state}{money}."
    note_event(order, "claim", by=actor.label, at=at, text=text)
    return claim


def link_claims(*, claims: Collection[SupplierClaim], made: SupplierReturn) -> None:
    """Say in which parcel the shims of these claims went back. Raises Invalid for claims to another supplier
    or of another site. Call in the transaction that makes the return."""
    if wrong := [
        each for each in claims if (each.site_id, each.supplier_id) != (made.site_id, made.supplier_id)
    ]:
        words = f"{wrong[0]} is no claim to {made.supplier} here"
        raise Invalid(f"Nothing was booked: {words}.", errors=[FieldError("/claims", words)])
    found = SupplierClaim.objects.select_for_update().filter(pk__in=[each.pk for each in claims])
    for claim in found.order_by("pk"):
        claim.supplier_return = made
        claim.version += 1
        claim.save(update_fields=["supplier_return", "version"])


def _bad_amount(state: str, amount: Decimal | None, currency: str) -> list[FieldError]:
    if state == State.CREDITED and amount is None:
        return [FieldError("/amount", f"say how much is credited, in {currency}")]
    if state != State.CREDITED and amount is not None:
        return [FieldError("/amount", "only a credit has an amount")]
    if amount is None:
        return []
    if not (amount.is_finite() and 0 <= amount < 10**9):
        return [FieldError("/amount", "must be 0 or more")]
    if currency in MINOR_DIGITS and amount != rounded(amount, currency):
        return [FieldError("/amount", f"{currency} has {MINOR_DIGITS[currency]} decimals")]
    return []
