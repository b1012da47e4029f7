"""Claims to suppliers: opened as a delivery is taken in (receipts.py) or by hand, settled as they answer."""

from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from datetime import datetime
from decimal import Decimal
from uuid import UUID

from django.db.models import F, Sum

from inventory.compute.lengths import show
from inventory.compute.money import MINOR_DIGITS, rounded
from inventory.models import (
    Movement,
    PurchaseEvent,
    PurchaseList,
    ReceiptLine,
    ShimFamily,
    SupplierClaim,
    SupplierReturn,
)
from inventory.services.list_events import note as note_event
from inventory.services.receipts import claim_over
from inventory.services.texts import counted, in_words, text_errors
from shop.actor import Actor
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
    claim = claim_over(row, order, kind=kind, quantity=quantity, actor=actor, at=at, reason=reason)
    claim.save(force_insert=True)
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
    or of another site, that are settled or went back already, and for shims that are not in the parcel. Call
    in the transaction that makes the return."""
    if wrong := [
        each for each in claims if (each.site_id, each.supplier_id) != (made.site_id, made.supplier_id)
    ]:
        words = f"{wrong[0]} is no claim to {made.supplier} here"
        raise Invalid(f"Nothing was booked: {words}.", errors=[FieldError("/claims", words)])
    rows = SupplierClaim.objects.select_for_update(of=("self",)).select_related("receipt_line__line__family")
    found = list(rows.filter(pk__in=[each.pk for each in claims]).order_by("pk"))
    if wrongs := list(_not_to_link(found)) or list(_not_in_parcel(found, made)):
        errors = [FieldError("/claims", words) for words in wrongs]
        raise Invalid(f"Nothing was booked: {'; '.join(wrongs)}.", errors=errors)
    for claim in found:
        claim.supplier_return = made
        claim.version += 1
        claim.save(update_fields=["supplier_return", "version"])


def unlink_claims(*, returned: Movement) -> None:
    """The shims of a return lie here again: its claims are for shims that went nowhere. Call in the
    transaction that reverses `returned`."""
    SupplierClaim.objects.filter(supplier_return__movement=returned).update(
        supplier_return=None, version=F("version") + 1
    )


def _not_to_link(claims: Sequence[SupplierClaim]) -> Iterator[str]:
    """Claims whose shims cannot go back, in words."""
    for claim in claims:
        if claim.supplier_return_id is not None:
            yield f"the shims of the claim “{claim}” went back already; leave it out"
        elif claim.state != State.OPEN:
            yield f"the claim “{claim}” is {claim.get_state_display().lower()} already; leave it out"
        elif claim.kind == SupplierClaim.Kind.SHORT:
            yield f"the shims of the claim “{claim}” never came; leave it out"


def _not_in_parcel(claims: Sequence[SupplierClaim], made: SupplierReturn) -> Iterator[str]:
    """Sizes of which less is in the parcel than these claims are for, in words."""
    parcel: Counter[tuple[UUID, int]] = Counter()
    for line in made.lines:
        parcel[line.family_id, line.thickness_nm] -= line.quantity
    wanted: Counter[tuple[ShimFamily, int]] = Counter()
    of_any_size: Counter[ShimFamily] = Counter()
    for claim in claims:
        row = claim.receipt_line
        if claim.kind != SupplierClaim.Kind.WRONG_SIZE:
            wanted[row.line.family, row.line.thickness_nm] += claim.quantity
        elif row.wrong_nm is not None and not claim.reason:
            wanted[row.line.family, row.wrong_nm] += claim.quantity
        else:  # claimed later: nobody wrote down which size they really are
            of_any_size[row.line.family] += claim.quantity
    right = "send them all in this parcel, or leave the claim out"
    for (family, thickness_nm), quantity in wanted.items():
        sent = parcel[family.pk, thickness_nm]
        parcel[family.pk, thickness_nm] -= min(quantity, sent)
        if sent < quantity:
            yield f"claimed are {quantity} of {show(thickness_nm)} mm {family}, and {sent} go back; {right}"
    for family, quantity in of_any_size.items():
        sent = sum(count for (pk, _), count in parcel.items() if pk == family.pk)
        if sent < quantity:
            yield f"claimed are {quantity} {family} of a wrong size, and {sent} go back; {right}"


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
