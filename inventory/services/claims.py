"""Claims to suppliers: opened when a delivery is taken in (receipts.py), settled as the supplier answers."""

from collections.abc import Collection
from datetime import datetime
from decimal import Decimal

from inventory.compute.money import MINOR_DIGITS, rounded
from inventory.models import PurchaseList, SupplierClaim, SupplierReturn
from inventory.services.list_events import note as note_event
from inventory.services.texts import in_words, text_errors
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import FieldError, Invalid, StaleVersion, WrongState
from shop.roles import Action

State = SupplierClaim.State
SETTLED = (State.CREDITED, State.REPLACED, State.REFUSED)


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
