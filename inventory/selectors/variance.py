"""What counts found: by lot the difference from the books, what it is worth, and whose holds it meets."""

import uuid
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from inventory.compute.variance import lot_value
from inventory.models import BinCount, HoldLine, Movement, Place, ShimFamily, TalliedLot
from inventory.selectors.holds import open_lines_in
from inventory.selectors.movements import undone_among
from shop.models import Site

WITH_DIFFERENCE = (
    BinCount.State.DIFFERS,
    BinCount.State.TO_APPROVE,
    BinCount.State.POSTED,
    BinCount.State.REJECTED,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class VarianceLine:
    """One lot that two persons found differing.

    books: what the books said when the second of them counted. unit_value: in `count.currency`; None where
    it was not known. holds: open promises on the lot while the difference is not posted, else (). undone_by:
    the reversal of the movement that posted it, if it stands.
    """

    count: BinCount
    place: Place
    family: ShimFamily
    thickness_nm: int
    thickness_keyed: str
    condition: str
    counted: int
    books: int
    difference: int
    unit_value: Decimal | None
    holds: Sequence[HoldLine]
    undone_by: Movement | None = None

    @property
    def value(self) -> Decimal | None:
        """What is gained (above zero) or lost."""
        if self.unit_value is None:
            return None
        return lot_value(self.difference, self.unit_value, self.count.currency)

    @property
    def undone(self) -> bool:
        """Whether the movement that posted the count was reversed: then nothing was gained or lost by it."""
        return self.undone_by is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Total:
    """The money of a report in one currency; `lost` is below zero or 0."""

    currency: str
    gained: Decimal
    lost: Decimal

    @property
    def net(self) -> Decimal:
        return self.gained + self.lost

    @property
    def gross(self) -> Decimal:
        return self.gained - self.lost


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """The lines of one bin or family. surplus, missing: shims too many and too few, both 0 or more.
    unvalued: how many of the lines have no known value and are in no total."""

    of: Place | ShimFamily
    lines: int
    surplus: int
    missing: int
    totals: Sequence[Total]
    unvalued: int


@dataclass(frozen=True, slots=True, kw_only=True)
class VarianceReport:
    """lines: newest count first. counted: how many counts came to an end in the time, those that agree
    included. unvalued: how many lines have no known value and are in no total; what was posted and undone is
    in none either."""

    lines: Sequence[VarianceLine]
    totals: Sequence[Total]
    counted: int
    unvalued: int

    @property
    def differing(self) -> int:
        """How many counts the lines are of, those that are still to be approved or posted included."""
        return len({line.count.pk for line in self.lines})

    @property
    def unposted(self) -> int:
        """How many of them are still to be approved or posted: they are among `differing`, not `counted`."""
        return len({line.count.pk for line in self.lines if line.count.is_open})

    @property
    def undone(self) -> int:
        """How many of them were posted and undone since."""
        return len({line.count.pk for line in self.lines if line.undone})

    @property
    def by_bin(self) -> list["Group"]:
        """What each bin comes to, the one worth most first."""
        return _groups(_standing(self.lines), lambda line: line.place)

    @property
    def by_family(self) -> list["Group"]:
        """The same for each family."""
        return _groups(_standing(self.lines), lambda line: line.family)


def variance_report(
    site: Site,
    *,
    since: datetime | None = None,
    until: datetime | None = None,
    states: Sequence[str] = WITH_DIFFERENCE,
) -> VarianceReport:
    """The differences that counts of the site found, by when they were opened; `until` is not included."""
    rows = BinCount.objects.filter(site=site)
    if since is not None:
        rows = rows.filter(opened_at__gte=since)
    if until is not None:
        rows = rows.filter(opened_at__lt=until)
    lines = _lines(rows.filter(state__in=states))
    ended = rows.exclude(state__in=(*BinCount.OPEN_STATES, BinCount.State.CANCELLED))
    return VarianceReport(
        lines=lines,
        totals=_totals(_standing(lines)),
        counted=ended.count(),
        unvalued=sum(line.unit_value is None for line in _standing(lines)),
    )


def variance_of(count: BinCount) -> list[VarianceLine]:
    """The confirmed differences of one count; [] while there are none."""
    return _lines(BinCount.objects.filter(pk=count.pk))


def outcome_of(count: BinCount) -> list[VarianceLine]:
    """Every lot of a count that is no longer blind as it came out, those that agree included; [] while it
    is blind."""
    if count.is_blind:
        return []
    keyed = count.tallies.filter(keyed_at__isnull=False)
    tally = keyed.order_by("-confirmed", "-keyed_link", "-keyed_at", "-id").first()
    lots = TalliedLot.objects.filter(tally=tally).select_related("family", "tally__count__place")
    return _told(lots.order_by("family__code", "thickness_nm", "id"))


def _lines(rows: Iterable[BinCount]) -> list[VarianceLine]:
    return _told(
        TalliedLot.objects.filter(tally__confirmed=True, tally__count__in=rows)
        .exclude(difference=0)
        .select_related("family", "tally__count__place", "tally__count__movement")
        .order_by("-tally__count__opened_at", "-tally__count__number", "family__code", "thickness_nm", "id")
    )


def _told(rows: Iterable[TalliedLot]) -> list[VarianceLine]:
    lots = list(rows)
    waiting = {lot.tally.count.place_id for lot in lots if lot.tally.count.is_open}
    promises: dict[tuple, list[HoldLine]] = defaultdict(list)
    for line in open_lines_in(waiting):
        promises[line.place_id, line.family_id, line.thickness_nm, line.condition].append(line)
    posted = {lot.tally.count.movement_id for lot in lots if lot.tally.count.movement_id}
    undone = undone_among(posted)
    return [_line(lot, promises, undone.get(lot.tally.count.movement_id or 0)) for lot in lots]


def _standing(lines: Sequence[VarianceLine]) -> list[VarianceLine]:
    return [line for line in lines if not line.undone]


def _line(lot: TalliedLot, promises: dict[tuple, list[HoldLine]], undone_by: Movement | None) -> VarianceLine:
    count = lot.tally.count
    difference = lot.difference or 0
    key = (count.place_id, lot.family_id, lot.thickness_nm, lot.condition)
    return VarianceLine(
        count=count,
        place=count.place,
        family=lot.family,
        thickness_nm=lot.thickness_nm,
        thickness_keyed=lot.thickness_keyed,
        condition=lot.condition,
        counted=lot.counted,
        books=lot.counted - difference,
        difference=difference,
        unit_value=lot.unit_value,
        holds=tuple(promises[key]) if count.is_open else (),
        undone_by=undone_by,
    )


def _totals(lines: Iterable[VarianceLine]) -> list[Total]:
    gained: dict[str, Decimal] = defaultdict(Decimal)
    lost: dict[str, Decimal] = defaultdict(Decimal)
    for line in lines:
        if line.value is not None:
            side = gained if line.value > 0 else lost
            side[line.count.currency] += line.value
    return [
        Total(currency=currency, gained=gained[currency], lost=lost[currency])
        for currency in sorted({*gained, *lost})
    ]


def _groups(lines: Sequence[VarianceLine], of: Callable[[VarianceLine], Place | ShimFamily]) -> list[Group]:
    gathered: dict[uuid.UUID, list[VarianceLine]] = defaultdict(list)
    for line in lines:
        gathered[of(line).pk].append(line)
    groups = [
        Group(
            of=of(members[0]),
            lines=len(members),
            surplus=sum(max(line.difference, 0) for line in members),
            missing=sum(max(-line.difference, 0) for line in members),
            totals=_totals(members),
            unvalued=sum(line.unit_value is None for line in members),
        )
        for members in gathered.values()
    ]
    # Amounts of several currencies cannot be added; there is one where the setting was never changed.
    return sorted(groups, key=lambda each: (-max((t.gross for t in each.totals), default=0), each.of.code))
