"""Shims that have lain too long where they should only pass: trays, transit, inspection, receiving."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from inventory.compute.ageing import oldest_left
from inventory.models import Balance, MovementLine, Place, PlaceKind, ShimFamily
from shop.models import Site

DRAINS = (PlaceKind.TRAY, PlaceKind.TRANSIT, PlaceKind.INSPECTION, PlaceKind.RECEIVING)

_Lot = tuple[object, int, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class StaleLot:
    """A lot with a shim in it that has lain since `since`; the first in is taken to leave first."""

    place: Place
    family: ShimFamily
    thickness_nm: int
    condition: str
    on_hand: int
    since: datetime


def stale_lots(
    *, at: datetime, older_than: timedelta, site: Site | None = None, kinds: Sequence[str] = DRAINS
) -> list[StaleLot]:
    """Lots with shims that have lain for longer than that, the oldest first; `site`: None for all sites."""
    balances = Balance.objects.filter(on_hand__gt=0, place__kind__in=kinds)
    if site is not None:
        balances = balances.filter(site=site)
    by_place: dict[Place, dict[_Lot, Balance]] = {}
    for row in balances.select_related("place__site", "family").order_by("place_id", "id"):
        by_place.setdefault(row.place, {})[row.family_id, row.thickness_nm, row.condition] = row
    found = []
    for place, lots in by_place.items():
        arrivals = _arrivals(place, lots)
        for key, row in lots.items():
            since = oldest_left(row.on_hand, arrivals[key])
            if since is not None and at - since > older_than:
                found.append(_stale(row, since))
    return sorted(found, key=lambda lot: (lot.since, lot.place.code, lot.thickness_nm, lot.condition))


def _arrivals(place: Place, lots: dict[_Lot, Balance]) -> dict[_Lot, list[tuple[datetime, int]]]:
    """By lot what came into the place, the newest first, as far back as what is left of it reaches."""
    uncovered = {key: row.on_hand for key, row in lots.items()}
    found: dict[_Lot, list[tuple[datetime, int]]] = {key: [] for key in lots}
    lines = (
        MovementLine.objects.filter(place=place, quantity__gt=0, movement__seal__isnull=False)
        .order_by("-id")
        .values_list("family_id", "thickness_nm", "condition", "quantity", "movement__at")
    )
    for family_id, thickness_nm, condition, quantity, came in lines.iterator(chunk_size=500):
        key = (family_id, thickness_nm, condition)
        if uncovered.get(key, 0) > 0:
            found[key].append((came, quantity))
            uncovered[key] -= quantity
            if all(left <= 0 for left in uncovered.values()):
                break
    return found


def _stale(row: Balance, since: datetime) -> StaleLot:
    return StaleLot(
        place=row.place,
        family=row.family,
        thickness_nm=row.thickness_nm,
        condition=row.condition,
        on_hand=row.on_hand,
        since=since,
    )
