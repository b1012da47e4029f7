"""A site's cabinets as they stand, row by row, with what is in each bin at a glance."""

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db.models import QuerySet

from inventory.compute.sizes import FamilyRange, nearest_size
from inventory.compute.spread import Spread, mean_and_spread
from inventory.models import Balance, BinCount, Condition, Place, PlaceKind, ShimFamily
from inventory.selectors.overdue import without_overdue
from inventory.selectors.places import bins
from shop.models import Site

MOST_FREE = 200  # free places of a cabinet that are drawn, each with its way to a new bin
MOST_PLACES = 400  # of a cabinet that is drawn however few of them are taken; more where every second is


@dataclass(frozen=True, slots=True, kw_only=True)
class BinGlance:
    """One bin and what is in it.

    lots: what lies in it, by family and thickness. misplaced: those of them that are of another family or
    that another bin of the site is nearer to in size: a drawer takes its neighbours' grades that have none.
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
    def strangers(self) -> list[Balance]:
        """Those misplaced ones that are of another family than the bin is kept for."""
        return [lot for lot in self.misplaced if lot.family_id != self.place.family_id]

    @property
    def over_by(self) -> int:
        """How many shims more it holds than it should."""
        return max(self.content - self.place.capacity, 0) if self.place.capacity is not None else 0

    @property
    def over_full(self) -> bool:
        return self.place.capacity is not None and self.content > self.place.capacity


@dataclass(frozen=True, slots=True, kw_only=True)
class Cabinet:
    """Rows from the top, columns from the left, both from 1.

    rows: the places as they stand, each with no bin or one; no rows where one bin far out makes thousands of
    free places. listed: its bins by row and column, where it has no rows. shows_free: whether its free places
    are few enough to draw each, with its way to a new bin.
    """

    name: str
    rows: Sequence[Sequence[Sequence[BinGlance]]]
    listed: Sequence[BinGlance]
    shows_free: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Cabinets:
    """A site's cabinets by name, and its bins that stand in none, by code."""

    cabinets: Sequence[Cabinet]
    loose: Sequence[BinGlance]


def cabinets_of(site: Site, *, at: datetime) -> Cabinets:
    """All cabinets with their bins in use: five queries, however many there are."""
    by_cabinet: dict[str, list[BinGlance]] = defaultdict(list)
    loose = []
    found = list(bins(site))
    lots = Balance.objects.filter(site=site, place__kind=PlaceKind.BIN)
    for glance in _glances(site.pk, found, found, lots, at):
        place = glance.place
        if place.cabinet and place.row and place.column:
            by_cabinet[place.cabinet].append(glance)
        else:
            loose.append(glance)
    return Cabinets(
        cabinets=[_cabinet(name, found) for name, found in sorted(by_cabinet.items())],
        loose=sorted(loose, key=lambda glance: glance.place.code),
    )


def bin_at_a_glance(place: Place, *, at: datetime) -> BinGlance:
    """One bin, in use or not, with what is in it."""
    lots = Balance.objects.filter(place=place)
    return _glances(place.site_id, [place], list(bins(place.site)), lots, at)[0]


def _glances(
    site_id: uuid.UUID,
    places: Sequence[Place],
    neighbours: Sequence[Place],
    balances: QuerySet[Balance],
    at: datetime,
) -> list[BinGlance]:
    kept: dict[uuid.UUID | None, set[int]] = defaultdict(set)
    for place in (*places, *neighbours):
        if place.size_nm is not None:
            kept[place.family_id].add(place.size_nm)
    families = {family.pk: family for family in ShimFamily.objects.all()}
    ranges = {family.pk: family.range for family in families.values()}
    lots: dict[uuid.UUID, list[Balance]] = defaultdict(list)
    lying = balances.filter(on_hand__gt=0).order_by("family__code", "thickness_nm", "condition")
    for row in without_overdue(lying, [site_id], at):
        # One family for all of its lots: a site has thousands of these and a handful of those.
        row.family = families[row.family_id]
        lots[row.place_id].append(row)
    open_counts = BinCount.objects.filter(place__in=places, state__in=BinCount.OPEN_STATES)
    under_count = set(open_counts.values_list("place_id", flat=True))
    return [
        BinGlance(
            place=place,
            lots=lots[place.pk],
            misplaced=[
                lot for lot in lots[place.pk] if not _belongs(lot, place, ranges[lot.family_id], kept)
            ],
            used=mean_and_spread(
                (lot.thickness_nm, lot.on_hand) for lot in lots[place.pk] if lot.condition == Condition.USED
            ),
            under_count=place.pk in under_count,
        )
        for place in places
    ]


def _belongs(
    lot: Balance, place: Place, made: FamilyRange, kept: Mapping[uuid.UUID | None, set[int]]
) -> bool:
    """As `bin_for` has it: in the bin of its grade, else in the nearest, the thinner of two."""
    if place.family_id is not None and lot.family_id != place.family_id:
        return False
    if place.size_nm is None:
        return True
    grade = nearest_size(made, lot.thickness_nm)
    sizes = kept[place.family_id]
    return place.size_nm == min(sizes, key=lambda size: (abs(size - grade), size))


def _cabinet(name: str, found: Sequence[BinGlance]) -> Cabinet:
    """The work goes by the number of bins, never by how far out they stand."""
    at = {(glance.place.row or 0, glance.place.column or 0): glance for glance in found}
    height, width = max(row for row, _ in at), max(column for _, column in at)
    if height * width > max(MOST_PLACES, 2 * len(at)):
        return Cabinet(name=name, rows=(), listed=[at[place] for place in sorted(at)], shows_free=False)
    rows = [
        [[at[row, column]] if (row, column) in at else [] for column in range(1, width + 1)]
        for row in range(1, height + 1)
    ]
    return Cabinet(
        name=name,
        rows=rows,
        listed=(),
        shows_free=height * width - len(at) <= MOST_FREE,
    )
