"""Needs that no job has: keyed in at the counter, or found by the restock rule."""

from datetime import datetime

from inventory.compute.lengths import show
from inventory.models import Need, ShimFamily
from inventory.services.texts import in_words, text_errors
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import FieldError, Invalid
from shop.models import Site
from shop.roles import Action

MOST_AT_ONCE = 200


@write_transaction
def add_needs(
    *,
    site: Site,
    actor: Actor,
    at: datetime,
    family: ShimFamily,
    thickness_nm: int,
    quantity: int,
    needed_by: datetime | None = None,
    note: str = "",
    origin: str = Need.Origin.HAND,
) -> list[Need]:
    """So many shims of a size are to be bought for stock. Raises Invalid for a size that is not made."""
    actor.must(Action.PURCHASE, site)
    errors = text_errors(Need, "note", note, "/note")
    if thickness_nm not in family.sizes_nm():
        words = f"{show(thickness_nm)} mm is no size that {family.name} is made in"
        errors.append(FieldError("/thickness", words))
    if not 1 <= quantity <= MOST_AT_ONCE:
        errors.append(FieldError("/quantity", f"must be 1 to {MOST_AT_ONCE}"))
    if errors:
        raise Invalid(in_words("Nothing was put on the list", errors), errors=errors)
    return Need.objects.bulk_create(
        Need(
            site=site,
            family=family,
            thickness_nm=thickness_nm,
            origin=origin,
            needed_by=needed_by,
            note=note,
            created_at=at,
        )
        for _ in range(quantity)
    )
