"""Everything that went through the books, filtered; by line, since a line is what happened to one lot."""

import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Q, QuerySet

from inventory.compute.lengths import show
from inventory.models import Balance, MovementLine, Place, ShimFamily
from shop.models import Site, User

CHUNK = 2_000


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryFilter:
    """What is wanted of a site's history; what is left out is not asked for.

    thinnest_nm, thickest_nm: both included. user: the person, or in whose name a key acted. actor, document:
    a part of what is written down. since is included, until is not.
    """

    place: Place | None = None
    family: ShimFamily | None = None
    thinnest_nm: int | None = None
    thickest_nm: int | None = None
    condition: str | None = None
    reason: str | None = None
    job_id: uuid.UUID | None = None
    user: User | None = None
    actor: str = ""
    document: str = ""
    since: datetime | None = None
    until: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryRow:
    """One line for an export: figures and words only. `thickness` is in mm; `reversed_by` the number of the
    movement that undid this one."""

    seq: int
    at: datetime
    reason: str
    actor: str
    place: str
    family: str
    thickness: str
    condition: str
    quantity: int
    job_id: str
    document: str
    note: str
    reverses: int | None
    reversed_by: int | None


def history(site: Site, wanted: HistoryFilter | None = None) -> QuerySet[MovementLine]:
    """What the site's movements did in its places, line by line, the newest first.

    Of a place it is everything: also what another site took out of this one's transit.
    """
    wanted = wanted or HistoryFilter()
    rows = MovementLine.objects.filter(_conditions(site, wanted), movement__seal__isnull=False)
    rows = rows.select_related(
        "movement__reverses", "movement__reversed_by", "movement__site", "place", "family"
    )
    if wanted.place is not None:
        return rows.order_by("-id")
    # By the site's movements from the last one back: by the lines' own index a site that rests while others
    # work would be looked for among all of theirs.
    return rows.order_by("-movement_id", "-position")


def history_rows(lines: QuerySet[MovementLine]) -> Iterator[HistoryRow]:
    """The lines as rows for a file, read in chunks, so that memory does not grow with the history."""
    for line in lines.iterator(chunk_size=CHUNK):
        movement = line.movement
        reversal = getattr(movement, "reversed_by", None)
        yield HistoryRow(
            seq=movement.seq,
            at=movement.at,
            reason=movement.reason,
            actor=movement.actor,
            place=line.place.code,
            family=line.family.code,
            thickness=show(line.thickness_nm),
            condition=line.condition,
            quantity=line.quantity,
            job_id=str(movement.job_id or ""),
            document=movement.document,
            note=movement.note,
            reverses=movement.reverses_id,
            reversed_by=reversal.seq if reversal else None,
        )


def _conditions(site: Site, wanted: HistoryFilter) -> Q:
    # The place alone where there is one: its index gives a bin's history without a look at the site's.
    found = Q(place__site=site)
    found &= Q(movement__site=site) if wanted.place is None else Q(place=wanted.place)
    sizes = {"thickness_nm__gte": wanted.thinnest_nm, "thickness_nm__lte": wanted.thickest_nm}
    sizes = {name: value for name, value in sizes.items() if value is not None}
    if wanted.family is not None and sizes and wanted.place is None:
        # Where shims of the size have ever lain here has a balance: without that, every site's lines of the
        # size are read for those of one.
        lots = Balance.objects.filter(site=site, family=wanted.family, **sizes)
        found &= Q(place__in=lots.values("place"))
    exact = {
        "family": wanted.family,
        "condition": wanted.condition,
        "movement__reason": wanted.reason,
        "movement__job_id": wanted.job_id,
        "movement__user": wanted.user,
        "movement__at__gte": wanted.since,
        "movement__at__lt": wanted.until,
    }
    found &= Q(**sizes, **{name: value for name, value in exact.items() if value is not None})
    if wanted.actor:
        found &= Q(movement__actor__icontains=wanted.actor)
    if wanted.document:
        found &= Q(movement__document__icontains=wanted.document)
    return found
