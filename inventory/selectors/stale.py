"""Shims that have lain too long where they should only pass: trays, transit, inspection, receiving."""

import uuid
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db.models import Exists, OuterRef

from inventory.compute.ageing import oldest_left
from inventory.models import Balance, MovementLine, Place, PlaceKind, ShimFamily
from shop.models import Site

DRAINS = (PlaceKind.TRAY, PlaceKind.TRANSIT, PlaceKind.INSPECTION, PlaceKind.RECEIVING)

_Lot = tuple[Any, ...]  # place, family, thickness, condition


@dataclass(frozen=True, slots=True, kw_only=True)
class StaleLot:
    """A lot with a shim in it that has lain since `since`; the first in is taken to leave first.

    id: of its balance."""

    id: int
    place: Place
    family: ShimFamily
    thickness_nm: int
    condition: str
    on_hand: int
    since: datetime


def stale_lots(
    *,
    at: datetime,
    older_than: timedelta,
    site: Site | None = None,
    sites: Collection[uuid.UUID] | None = None,
    kinds: Sequence[str] = DRAINS,
) -> list[StaleLot]:
    """Lots with shims that have lain for longer than that, the oldest first.

    site, sites: None for all.
    """
    balances = Balance.objects.filter(on_hand__gt=0, place__kind__in=kinds)
    if site is not None:
        balances = balances.filter(site=site)
    if sites is not None:
        balances = balances.filter(site__in=list(sites))
    rows = {
        (row.place_id, row.family_id, row.thickness_nm, row.condition): row
        for row in balances.select_related("place__site", "family").order_by("place_id", "id")
    }
    arrivals = _arrivals(rows)
    found = []
    for key, row in rows.items():
        since = oldest_left(row.on_hand, arrivals[key])
        if since is not None and at - since > older_than:
            found.append(_stale(row, since))
    return sorted(
        found,
        key=lambda lot: (lot.since, lot.place.code, lot.family.code, lot.thickness_nm, lot.condition, lot.id),
    )


def _arrivals(rows: Mapping[_Lot, Balance]) -> dict[_Lot, list[tuple[datetime, int]]]:
    """By lot what came into its place, the newest first, as far back as what is left of it reaches."""
    left = {key: row.on_hand for key, row in rows.items()}
    found: dict[_Lot, list[tuple[datetime, int]]] = {key: [] for key in rows}
    # Lines of lots that still hold something, and of no others: what passed through as it should is many
    # times more.
    still_there = Balance.objects.filter(
        place=OuterRef("place"),
        family=OuterRef("family"),
        thickness_nm=OuterRef("thickness_nm"),
        condition=OuterRef("condition"),
        on_hand__gt=0,
    )
    lines = (
        MovementLine.objects.filter(
            Exists(still_there),
            place__in={place for place, *_ in rows},
            quantity__gt=0,
            movement__seal__isnull=False,
        )
        .order_by("-id")
        .values_list("place_id", "family_id", "thickness_nm", "condition", "quantity", "movement__at")
    )
    for *lot, quantity, came in lines.iterator(chunk_size=2_000):
        key: _Lot = tuple(lot)
        if key not in left:
            continue
        found[key].append((came, quantity))
        left[key] -= quantity
        if left[key] <= 0:
            del left[key]
            if not left:
                break
    return found


def _stale(row: Balance, since: datetime) -> StaleLot:
    return StaleLot(
        id=row.pk,
        place=row.place,
        family=row.family,
        thickness_nm=row.thickness_nm,
        condition=row.condition,
        on_hand=row.on_hand,
        since=since,
    )
