"""New shims that go back to their supplier: wrong size, too many, damaged."""

from collections.abc import Collection, Sequence
from datetime import datetime

from inventory.models import Condition, Place, PlaceKind, Reason, Supplier, SupplierClaim, SupplierReturn
from inventory.selectors.places import place_of
from inventory.services.claims import link_claims
from inventory.services.hold_state import lock_holds
from inventory.services.ledger import post_movement
from inventory.services.numbering import next_number
from inventory.services.shim_lines import Shims, lines_between, must_say, refuse, refuse_bad_lots
from inventory.services.texts import check_texts
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import FieldError
from shop.models import Site
from shop.roles import Action

RETURNED_FROM = (PlaceKind.BIN, PlaceKind.RECEIVING, PlaceKind.INSPECTION)


@write_transaction
def return_to_supplier(
    *,
    site: Site,
    actor: Actor,
    at: datetime,
    supplier: Supplier,
    shims: Sequence[Shims],
    reason: str,
    reference: str = "",
    claims: Collection[SupplierClaim] = (),
) -> SupplierReturn:
    """Send new shims from bins, receiving or inspection back to a supplier. `reference`: the supplier's own,
    if any; `claims`: those whose shims these are.

    Raises NotEnough for what is not there or is held, Invalid for used shims: those came out of engines.
    """
    actor.must(Action.RETURN_TO_SUPPLIER, site)
    must_say("/reason", reason, "Say why the shims go back.")
    check_texts(SupplierReturn, reason=reason, reference=reference)
    refuse_bad_lots(shims, site, RETURNED_FROM)
    refuse(
        [
            FieldError(f"/lines/{index}/condition", "only new shims go back to a supplier")
            for index, line in enumerate(shims)
            if line.condition != Condition.NEW
        ]
    )
    number = next_number(site, SupplierReturn.objects.filter(site=site))
    outside = place_of(site, PlaceKind.SUPPLIER)
    moves: list[tuple[Place, Place, Shims]] = [
        (line.place, outside, line) for line in shims if line.place is not None
    ]
    movement = post_movement(
        site=site,
        reason=Reason.RETURN_TO_SUPPLIER,
        actor=actor,
        at=at,
        lines=lines_between(moves),
        document=f"Return {number}",
        note=reason,
        unhold=lock_holds(site=site, at=at).freed,
    )
    made = SupplierReturn.objects.create(
        site=site,
        number=number,
        supplier=supplier,
        reference=reference,
        reason=reason,
        at=at,
        by=actor.label,
        movement=movement,
    )
    link_claims(claims=claims, made=made)
    return made
