"""A site's used shims, followed through its books once: what was traced stays, and only what is new is read.

Movements never change, and where a shim came from rests on all of them: traced anew for each question, the
answer took longer with every year (12 s a page at 150,000 lines of used shims). So each process keeps what it
has traced of a site with the link of the chain that it has come to, and goes on from there. Where the books
are not what they were, it begins anew: another hash at that link (a backup was put back, a transaction was
undone), or a movement that came in before the last one that was followed. So it does where a movement is
reversed of whose shims others may have been told meanwhile, or one that lies very long back.
"""

import threading
import uuid
from collections import OrderedDict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import groupby
from operator import itemgetter
from typing import Any, NamedTuple

from django.db.models import Count, Q, QuerySet, Subquery
from django.db.models.functions import Coalesce

from inventory.compute.journeys import Act, Journey, Step, Where
from inventory.compute.tracing import Tracer, UnforeseenError
from inventory.models import (
    ChainHead,
    Condition,
    MovementLine,
    MovementSeal,
    Place,
    PlaceKind,
    Reason,
)
from shop.errors import Busy
from shop.models import Site

TRACED = (Condition.USED, Condition.UNMEASURED)
WHERE = {
    PlaceKind.ENGINE: Where.ENGINE,
    PlaceKind.DIFFERENCE: Where.DIFFERENCE,
    PlaceKind.SUPPLIER: Where.OUTSIDE,
    PlaceKind.SCRAP: Where.OUTSIDE,
}
LONGEST_WAIT_SECONDS = 3
"""While somebody else follows the same books, which from the beginning takes 4 s for 150,000 lines: a thread
that waits is lost to everybody."""
MOST_SITES = 16
"""Of so many sites a process keeps what it traced; the one that was asked about longest ago goes first."""
_COLUMNS = (
    "movement_id",
    "family_id",
    "position",
    "movement__at",
    "movement__job_id",
    "movement__site_id",
    "movement__reverses_id",
    "movement__reversed_by__seq",
    "movement__reason",
    "place__kind",
    "place_id",
    "thickness_nm",
    "condition",
    "quantity",
)


@dataclass(slots=True)
class _Books:
    """position, hash: of the last link of the site's chain that was looked at. last: the number of the last
    movement that was followed. others: how many lines of other sites' movements, which take shims out of
    this one's transit, are among them."""

    tracer: Tracer = field(default_factory=Tracer)
    position: int = 0
    hash: str = ""
    last: int = 0
    others: int = 0


class _Shelf:
    """What was traced, by site. One thread at a time goes on with a site's."""

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._sites: OrderedDict[uuid.UUID, tuple[threading.Lock, list[_Books]]] = OrderedDict()

    def journeys_of(self, site: Site) -> list[Journey]:
        """Raises Busy."""
        with self._guard:
            lock, kept = self._sites.setdefault(site.pk, (threading.Lock(), []))
            self._sites.move_to_end(site.pk)
            while len(self._sites) > MOST_SITES:
                self._sites.popitem(last=False)
        if not lock.acquire(timeout=LONGEST_WAIT_SECONDS):
            raise Busy(
                "Where used shims went is being followed through the books just now. Try again in a moment."
            )
        try:
            # Taken off meanwhile: what breaks half way is not gone on with.
            books = kept.pop() if kept else None
            books = _gone_on(site, books)
            kept.append(books)
            return books.tracer.told()
        finally:
            lock.release()


_shelf = _Shelf()


def journeys_of(site: Site) -> list[Journey]:
    """Every used shim that went into an engine of the site and was not taken back, the first one first. Not
    to be changed; it may grow at its end. Raises Busy while somebody else follows them for long."""
    return _shelf.journeys_of(site)


def _gone_on(site: Site, books: _Books | None) -> _Books:
    """The books followed to the end of the site's chain: from where they are, or from the beginning."""
    books = books or _Books()
    end = _look(site, books.position)
    fresh = None
    if books.position and end.position >= books.position and end.hash_then == books.hash:
        fresh = _fresh(site, books, end)
    if fresh is None or not _take_in(site, books, fresh):
        books = _Books()
        _follow(site, books, _whole(site, end.position))
    books.position, books.hash = end.position, end.hash
    return books


class _End(NamedTuple):
    """The last link of a site's chain; the hash of the link where its books have come to; and how many lines
    of other sites' movements there are."""

    position: int
    hash: str
    hash_then: str | None
    others: int


def _look(site: Site, position: int) -> _End:
    link = MovementSeal.objects.filter(site=site, position=position).values("hash")
    others = _others(site).order_by().values("place").annotate(number=Count("pk")).values("number")
    heads = ChainHead.objects.filter(site=site).annotate(
        hash_then=Subquery(link), others=Coalesce(Subquery(others), 0)
    )
    return _End(*heads.values_list("position", "hash", "hash_then", "others").get())


def _fresh(site: Site, books: _Books, end: _End) -> list[tuple[Any, ...]] | None:
    """What came since, up to the end of the site's chain; None where another site's movement came in behind
    what was followed."""
    since = books.position + 1, end.position
    own = _lines(site).filter(movement__seal__site=site, movement__seal__position__range=since)
    rows = list(own.order_by().values_list(*_COLUMNS))
    if end.others != books.others:
        others = _others(site).filter(movement_id__gt=books.last).order_by().values_list(*_COLUMNS)
        if books.others + len(others) != end.others:
            return None
        rows += others
    return sorted(rows, key=lambda row: row[:3])


def _whole(site: Site, position: int) -> Iterator[tuple[Any, ...]]:
    """Everything up to this link of the site's chain."""
    own = Q(movement__seal__site=site, movement__seal__position__lte=position)
    others = Q(movement__seal__isnull=False) & ~Q(movement__site=site)
    rows = _lines(site).filter(own | others).order_by(*_COLUMNS[:3]).values_list(*_COLUMNS)
    return rows.iterator(chunk_size=2_000)


def _lines(site: Site) -> QuerySet[MovementLine]:
    return MovementLine.objects.filter(place__site=site, condition__in=TRACED)


def _others(site: Site) -> QuerySet[MovementLine]:
    """Of other sites' movements, which take shims out of this one's transit: one place."""
    transit = Place.objects.filter(site=site, kind=PlaceKind.TRANSIT).values("pk")[:1]
    lines = MovementLine.objects.filter(place=transit, condition__in=TRACED, movement__seal__isnull=False)
    return lines.exclude(movement__site=site)


def _take_in(site: Site, books: _Books, fresh: list[tuple[Any, ...]]) -> bool:
    """Follow what came since, too. False where these books are of no more use then."""
    if fresh and fresh[0][0] < books.last:
        return False
    try:
        _follow(site, books, fresh)
    except UnforeseenError:
        return False
    return True


def _follow(site: Site, books: _Books, rows: Iterable[tuple[Any, ...]]) -> None:
    """Follow these lines, which are in the ledger's order."""
    for seq, group in groupby(rows, key=itemgetter(0)):
        lines = list(group)
        at, job, by, reverses, reversed_by, reason = lines[0][3:9]
        if by != site.pk:
            books.others += len(lines)
        books.tracer.follow(
            Act(
                seq=seq,
                at=at,
                job=job,
                steps=[_step(line) for line in lines],
                reverses=reverses,
                is_reversed=reversed_by is not None,
                regrades=reason == Reason.REGRADE,
            )
        )
        books.last = seq


def _step(row: tuple[Any, ...]) -> Step:
    kind, place, thickness_nm, condition, quantity = row[9:]
    return Step((place, row[1], thickness_nm, condition), quantity, WHERE.get(kind, Where.KEPT))
