"""Needs that no job has: keyed in at the counter, brought over many at once, or found by the restock rule."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from inventory.compute.sizes import nearest_size, no_such_size
from inventory.models import Need, ShimFamily, StockMinimum
from inventory.selectors.coming import Coming, coming_of, on_the_threshold
from inventory.selectors.minimums import with_available
from inventory.services.many_rows import in_row, number_faults, rows_in_words
from inventory.services.texts import in_words, text_errors
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import Conflict, FieldError, Invalid
from shop.models import Site
from shop.roles import Action

MOST_AT_ONCE = 200
MOST_TOGETHER = 2_000


@dataclass(frozen=True, slots=True, kw_only=True)
class NeedRow:
    """So many shims of a size that are to be bought for stock."""

    family: ShimFamily
    thickness_nm: int
    quantity: int = 1
    needed_by: datetime | None = None
    note: str = ""


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
) -> list[Need]:
    """So many shims of a size are to be bought for stock. Raises Invalid for a size that is not made."""
    actor.must(Action.PURCHASE, site)
    row = NeedRow(family=family, thickness_nm=thickness_nm, quantity=quantity, needed_by=needed_by, note=note)
    if errors := _faults(row):
        raise Invalid(in_words("Nothing was put on the list", errors), errors=errors)
    return _written(site, at, Need.Origin.HAND, [row])


@write_transaction
def add_needs_of_rows(*, site: Site, actor: Actor, at: datetime, rows: Sequence[NeedRow]) -> list[Need]:
    """Needs by hand of 1 to 500 rows in their order, by the rules of `add_needs`, all or none; a size may
    stand in several rows. Raises Invalid naming every wrong row, e.g. /rows/3/thickness, or /rows when they
    are more than 2000 shims together."""
    actor.must(Action.PURCHASE, site)
    errors = number_faults(rows)
    if not errors:
        errors = [error for number, row in enumerate(rows) for error in in_row(number, _faults(row))]
        together = sum(row.quantity for row in rows)
        if not errors and together > MOST_TOGETHER:
            errors.append(
                FieldError("/rows", f"are {together:,} shims together; {MOST_TOGETHER:,} is the most")
            )
    if errors:
        raise Invalid(rows_in_words("Nothing was put on the list", errors), errors=errors)
    return _written(site, at, Need.Origin.HAND, rows)


@write_transaction
def restock(*, site: Site, actor: Actor, at: datetime) -> list[Need]:
    """The restock rule: of each size of which fewer are available, on their way (bought, sent from another
    site, to be put away) and on the list than the site wants to keep, the missing ones are to be bought. Used
    shims count at the made size that is nearest to what they measure, as in the mix.
    Asked again, it adds nothing. Raises Conflict where more than 2000 shims are missing."""
    actor.must(Action.PURCHASE, site)
    # Locked: of two who ask at once the second finds what the first has put on the list.
    kept = StockMinimum.objects.select_for_update(of=("self",)).filter(site=site, minimum__gt=0)
    sizes = with_available(kept.select_related("family").order_by("id"))
    ranges = {size.family_id: size.family.range for size, _ in sizes}
    comes = coming_of(site, set(ranges))
    bound_here: dict[tuple[UUID, int], int] = defaultdict(int)
    for (family, nm), count in on_the_threshold(site, set(ranges)).items():
        bound_here[family, nearest_size(ranges[family], nm)] += count
    rows = []
    for size, available in sizes:
        key = size.family_id, size.thickness_nm
        there = available + bound_here[key] + comes.get(key, Coming()).free
        if (missing := size.minimum - there) > 0:
            rows.append(
                NeedRow(
                    family=size.family,
                    thickness_nm=size.thickness_nm,
                    quantity=missing,
                    note="to keep in stock",
                )
            )
    together = sum(row.quantity for row in rows)
    if together > MOST_TOGETHER:
        raise Conflict(
            f"Nothing was put on the list: {together:,} shims are missing, and {MOST_TOGETHER:,} is the most "
            "at a time. Lower how many to keep, or put the most urgent on the list by hand first."
        )
    return _written(site, at, Need.Origin.RESTOCK, rows)


def _faults(row: NeedRow) -> list[FieldError]:
    errors = text_errors(Need, "note", row.note, "/note")
    if words := no_such_size(row.family.range, row.thickness_nm, row.family.name):
        errors.append(FieldError("/thickness", words))
    if not 1 <= row.quantity <= MOST_AT_ONCE:
        errors.append(FieldError("/quantity", f"must be 1 to {MOST_AT_ONCE}"))
    return errors


def _written(site: Site, at: datetime, origin: str, rows: Iterable[NeedRow]) -> list[Need]:
    return Need.objects.bulk_create(
        Need(
            site=site,
            family=row.family,
            thickness_nm=row.thickness_nm,
            origin=origin,
            needed_by=row.needed_by,
            note=row.note,
            created_at=at,
        )
        for row in rows
        for _ in range(row.quantity)
    )
