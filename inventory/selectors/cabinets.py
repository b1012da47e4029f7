"""A site's cabinets as they stand, row by row, with what is in each bin at a glance."""

import uuid
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from inventory.compute.sizes import nearest_size
from inventory.compute.spread import Spread, mean_and_spread
from inventory.models import Balance, BinCount, Condition, Place, PlaceKind
from inventory.selectors.places import bins
from shop.models import Site


@dataclass(frozen=True, slots=True, kw_only=True)
class BinGlance:
    """One bin and what is in it.

    lots: what lies in it, by family and thickness. misplaced: those of them that the bin is not kept for.
    used: mean and spread of its used, measured shims; None where it has none. under_count: whether somebody
    is to count it.
    """

    place: Place
    lots: Sequence[Balance]
    misplaced: Sequence[Balance]
    used: Spread | None
    under_count: bool

    @property
    def content(self) -> int:
        return sum(lot.on_hand for lot in self.lots)

    @property
    def held(self) -> int:
        return sum(lot.held for lot in self.lots)

    @property
    def available(self) -> int:
        return self.content - self.held

    def count_of(self, condition: str) -> int:
        """How many shims of one condition."""
        return sum(lot.on_hand for lot in self.lots if lot.condition == condition)

    @property
    def fill_percent(self) -> int | None:
        """How full it is, rounded down, above 100 where it holds more than it should; None without a
        capacity."""
        if not self.place.capacity:
            return None
        return 100 * self.content // self.place.capacity

    @property
    def over_full(self) -> bool:
        return self.place.capacity is not None and self.content > self.place.capacity


@dataclass(frozen=True, slots=True, kw_only=True)
class Cabinet:
    """Rows from the top, columns from the left, both from 1. A cell holds no bin, one, or several where two
    were given the same position."""

    name: str
    rows: Sequence[Sequence[Sequence[BinGlance]]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cabinets:
    """A site's cabinets by name, and its bins that stand in none, by code."""

    cabinets: Sequence[Cabinet]
    loose: Sequence[BinGlance]


def cabinets_of(site: Site) -> Cabinets:
    """All cabinets with their bins in use: three queries, however many there are."""
    by_cabinet: dict[str, list[BinGlance]] = defaultdict(list)
    loose = []
    for glance in _glances(list(bins(site)), Balance.objects.filter(site=site, place__kind=PlaceKind.BIN)):
        place = glance.place
        if place.cabinet and place.row and place.column:
            by_cabinet[place.cabinet].append(glance)
        else:
            loose.append(glance)
    return Cabinets(
        cabinets=[Cabinet(name=name, rows=_grid(found)) for name, found in sorted(by_cabinet.items())],
        loose=sorted(loose, key=lambda glance: glance.place.code),
    )


def bin_at_a_glance(place: Place) -> BinGlance:
    """One bin, in use or not, with what is in it."""
    return _glances([place], Balance.objects.filter(place=place))[0]


def _glances(places: Sequence[Place], balances: Iterable[Balance]) -> list[BinGlance]:
    lots: dict[uuid.UUID, list[Balance]] = defaultdict(list)
    rows = balances.filter(on_hand__gt=0).select_related("family")
    for row in rows.order_by("family__code", "thickness_nm", "condition"):
        lots[row.place_id].append(row)
    under_count = set(
        BinCount.objects.filter(place__in=places, state__in=BinCount.OPEN_STATES).values_list(
            "place_id", flat=True
        )
    )
    return [_glance(place, lots[place.pk], place.pk in under_count) for place in places]


def _glance(place: Place, lots: Sequence[Balance], under_count: bool) -> BinGlance:
    used = [(lot.thickness_nm, lot.on_hand) for lot in lots if lot.condition == Condition.USED]
    return BinGlance(
        place=place,
        lots=lots,
        misplaced=[lot for lot in lots if not _belongs(lot, place)],
        used=mean_and_spread(used),
        under_count=under_count,
    )


def _belongs(lot: Balance, place: Place) -> bool:
    if place.family_id is not None and lot.family_id != place.family_id:
        return False
    return place.size_nm is None or nearest_size(lot.family.range, lot.thickness_nm) == place.size_nm


def _grid(found: Sequence[BinGlance]) -> list[list[list[BinGlance]]]:
    height = max(glance.place.row or 0 for glance in found)
    width = max(glance.place.column or 0 for glance in found)
    grid: list[list[list[BinGlance]]] = [[[] for _ in range(width)] for _ in range(height)]
    for glance in found:
        grid[(glance.place.row or 1) - 1][(glance.place.column or 1) - 1].append(glance)
    return grid
