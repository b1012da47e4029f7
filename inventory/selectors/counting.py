"""Counts: what a counter sees, what the books said meanwhile, what came out, and which bins are next.

What a counter sees names the lots of a bin, never how many the books expect.
"""

import uuid
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple

from django.db.models import Count, OuterRef, QuerySet, Subquery, Sum
from django.db.models.functions import Coalesce

from inventory.compute.counting import BinRecord, DueBin, Pace, Rotation, due_bins
from inventory.models import BinCount, Movement, MovementLine, Place, PlaceKind, ShimFamily, Tally
from inventory.selectors.places import bins
from shop.conf import conf
from shop.models import Site, User

# How far back a bin's traffic is looked at to tell how fast it moves.
TRAFFIC = timedelta(days=90)
COUNTED_KINDS = (PlaceKind.BIN, PlaceKind.RECEIVING, PlaceKind.INSPECTION)
MAX_ID = 2**63 - 1
COUNTED_TO_THE_END = (BinCount.State.AGREES, BinCount.State.POSTED)


class LotKey(NamedTuple):
    """One kind of shim in a bin."""

    family_id: uuid.UUID
    thickness_nm: int
    condition: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetLot:
    """A lot to count; there may be others in the bin, which are keyed in besides."""

    family: ShimFamily
    thickness_nm: int
    condition: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CountSheet:
    """What somebody who counts a bin sees; `lots` is () where the books have the bin empty."""

    count: BinCount
    tally: Tally
    place: Place
    lots: tuple[SheetLot, ...]


def counts(
    site: Site, *, states: Sequence[str] | None = None, place: Place | None = None
) -> QuerySet[BinCount]:
    """Counts of the site, newest first."""
    rows = BinCount.objects.filter(site=site).select_related("place__family", "movement")
    if states is not None:
        rows = rows.filter(state__in=states)
    if place is not None:
        rows = rows.filter(place=place)
    return rows.order_by("-opened_at", "-number")


def books_over(place: Place, first_link: int, last_link: int) -> dict[LotKey, list[int]]:
    """What the books said of each lot of a place after `first_link`, and after each movement of the lot up
    to `last_link`. Links are positions in the site's chain; lots that were never there are missing."""
    lines = MovementLine.objects.filter(place=place, movement__seal__site=place.site_id)
    keys = ("family_id", "thickness_nm", "condition")
    before = (
        lines.filter(movement__seal__position__lte=first_link)
        .values_list(*keys)
        .annotate(on_hand=Sum("quantity"))
        .order_by()
    )
    found = {LotKey(*row[:3]): [row[3]] for row in before}
    meanwhile = (
        lines.filter(movement__seal__position__gt=first_link, movement__seal__position__lte=last_link)
        .values_list(*keys, "movement__seal__position")
        .annotate(moved=Sum("quantity"))
        .order_by("movement__seal__position")
    )
    for *key, _link, moved in meanwhile:
        figures = found.setdefault(LotKey(*key), [0])
        figures.append(figures[-1] + moved)
    return found


def count_sheet(tally: Tally) -> CountSheet:
    """The sheet of a count that somebody has begun."""
    place = tally.count.place
    present = sheet_lots(place, tally.started_link)
    families = ShimFamily.objects.in_bulk({lot.family_id for lot in present})
    return CountSheet(
        count=tally.count,
        tally=tally,
        place=place,
        lots=tuple(
            SheetLot(family=families[lot.family_id], thickness_nm=lot.thickness_nm, condition=lot.condition)
            for lot in sorted(present, key=lambda lot: (families[lot.family_id].code, *lot[1:]))
        ),
    )


def sheet_of(count: BinCount, user: User | None) -> CountSheet | None:
    """The sheet of the person who has begun this count and not keyed it in; None where they have not."""
    if user is None or not count.is_to_count:
        return None
    tally = count.tallies.filter(user=user, keyed_at=None).first()
    if tally is None:
        return None
    tally.count = count
    return count_sheet(tally)


def to_count(site: Site) -> list[BinCount]:
    """The counts that wait for somebody to look, those that wait for a second person first; their `tallies`
    are read along."""
    rows = BinCount.objects.filter(site=site, state__in=BinCount.TO_COUNT).order_by("opened_at", "number")
    found = rows.select_related("place__family").prefetch_related("tallies")
    return sorted(found, key=lambda count: count.state != BinCount.State.AGAIN)


def sheet_lots(place: Place, link: int) -> list[LotKey]:
    """The lots that the books had in a place after a link: those that a count must say something of."""
    return [lot for lot, figures in books_over(place, link, link).items() if figures[0]]


def due(site: Site, *, at: datetime, most: int | None = None) -> list[tuple[Place, DueBin]]:
    """The bins whose turn it is to be counted, the most overdue first; bins under count are left out.

    most: how many; None for what the shop's setting leaves over beside the counts that are open.
    """
    open_counts = set(
        BinCount.objects.filter(site=site, state__in=BinCount.OPEN_STATES).values_list("place", flat=True)
    )
    if most is None:
        most = conf.counts_per_day - len(open_counts)
    records = _records(bins(site).exclude(pk__in=open_counts), site, at)
    troubled, fast, middle, slow = conf.count_days
    rotation = Rotation(troubled_days=troubled, fast_days=fast, middle_days=middle, slow_days=slow)
    found = due_bins(records, at=at, rotation=rotation, most=most)
    # Only now: of hundreds of bins a few are due.
    rows = {place.code: place for place in bins(site).filter(code__in=[entry.code for entry in found])}
    return [(rows[entry.code], entry) for entry in found]


def schedule(site: Site, *, at: datetime, most: int | None = None) -> list[tuple[Place, DueBin]]:
    """The bins of `due` in the order in which to go through them: troubled ones, then by pace."""
    order = list(Pace)
    return sorted(
        due(site, at=at, most=most),
        key=lambda entry: (not entry[1].troubled, order.index(entry[1].pace), -entry[1].waited),
    )


def countable(site: Site) -> QuerySet[Place]:
    """Every place of the site that may be counted: the bins by cabinet, then inspection and receiving."""
    rows = Place.objects.filter(site=site, kind__in=COUNTED_KINDS, retired_at=None)
    return rows.select_related("family").order_by("kind", "cabinet", "row", "column", "code")


def _first_line_after(site: Site, moment: datetime) -> int:
    """The id from which on lines are of movements after the site's last one up to this moment. The index of a
    bin's lines has their ids and not their time: by the id they are counted without being read."""
    last = Movement.objects.filter(site=site, at__lte=moment).order_by("-seq").values_list("seq", flat=True)
    seq = last.first()
    if seq is None:
        return 0
    following = MovementLine.objects.filter(movement_id__gt=seq).order_by("movement_id", "position")
    found = following.values_list("id", flat=True).first()
    return MAX_ID if found is None else found


def _records(rows: QuerySet[Place], site: Site, at: datetime) -> list[BinRecord]:
    """What is known of those of these bins that shims have ever been in."""
    # A look into an index a bin: in one go every line that the site ever had would be read.
    lines = MovementLine.objects.filter(place=OuterRef("pk")).order_by("id")
    recent = lines.filter(id__gte=_first_line_after(site, at - TRAFFIC)).order_by().values("place")
    used = rows.annotate(
        since=Subquery(lines.values("movement__at")[:1]),
        traffic=Coalesce(Subquery(recent.annotate(lines=Count("id")).values("lines")), 0),
    ).filter(since__isnull=False)
    last: dict[uuid.UUID, datetime] = {}
    differed: dict[uuid.UUID, list[bool]] = defaultdict(list)
    done = BinCount.objects.filter(site=site, state__in=(*COUNTED_TO_THE_END, BinCount.State.REJECTED))
    for place, state, closed in done.order_by("-closed_at", "-number").values_list(
        "place", "state", "closed_at"
    ):
        # A rejected count has not settled what is in the bin, but it is a sign of trouble.
        if state != BinCount.State.REJECTED:
            last.setdefault(place, closed)
        differed[place].append(state != BinCount.State.AGREES)
    return [
        BinRecord(
            code=code,
            in_use_since=since,
            last_counted=last.get(pk),
            lines=traffic,
            differed=tuple(differed[pk]),
        )
        for pk, code, since, traffic in used.values_list("pk", "code", "since", "traffic")
    ]
