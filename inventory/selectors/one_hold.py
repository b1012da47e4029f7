"""One hold with all that it shows, by written-out queries: programs ask this most of all."""

import functools
import uuid
from collections.abc import Collection
from datetime import datetime

from inventory.models import Hold, HoldLine, HoldTakeOver, Place, ShimFamily
from shop.db.written import Written
from shop.models import Site


def one_hold(pk: uuid.UUID, sites: Collection[uuid.UUID], at: datetime, *, lock: bool = False) -> Hold | None:
    """The hold of one of these sites as it is seen at this moment (`overdue.seen_at`), with its lines; locked
    until the transaction ends with `lock`, though not its site with it: that would stop every movement of the
    site."""
    found = _hold_at(len(sites)).one(pk, *sites, lock="hold" if lock else "")
    if found is None:
        return None
    hold, hold.site, taken_over = found
    # Also that nobody took it over is known from here on.
    Hold._meta.get_field("taken_over").set_cached_value(hold, taken_over)
    hold.seen_at = at
    read_lines(hold)
    return hold


def job_of(pk: uuid.UUID, sites: Collection[uuid.UUID]) -> uuid.UUID | None:
    """The job that the hold is for; None without one, and where there is no such hold at these sites."""
    found = _hold_at(len(sites)).one(pk, *sites)
    return None if found is None else found[0].job_id


def read_lines(hold: Hold) -> None:
    """Give the hold its lines and the lines what they name, as `prefetch_related` does."""
    lines = HoldLine.objects.all()
    lines._result_cache = []
    for line, line.place, line.taken_from, line.family in _LINES.rows(hold.pk):
        line.hold = hold
        lines._result_cache.append(line)
    hold._prefetched_objects_cache = {"lines": lines}


@functools.cache
def _hold_at(sites: int) -> Written:
    """The hold of an id at one of so many sites. The query itself asks for them: who looked at the row after
    it would have locked a hold of another site, and waited for whoever works with it there."""
    places = ", ".join(["%s"] * sites) or "NULL"
    return Written(
        f"""
        SELECT {{hold}}, {{site}}, {{taken_over}} FROM inventory_hold hold
        JOIN shop_site site ON site.id = hold.site_id
        LEFT JOIN inventory_holdtakeover taken_over ON taken_over.hold_id = hold.id
        WHERE hold.id = %s AND hold.site_id IN ({places})
        """,  # noqa: S608 - placeholders only
        hold=Hold,
        site=Site,
        taken_over=HoldTakeOver,
    )


_LINES = Written(
    """
    SELECT {line}, {place}, {taken_from}, {family} FROM inventory_holdline line
    JOIN inventory_place place ON place.id = line.place_id
    JOIN inventory_place taken_from ON taken_from.id = line.taken_from_id
    JOIN inventory_shimfamily family ON family.id = line.family_id
    WHERE line.hold_id = %s ORDER BY line.position
    """,
    line=HoldLine,
    place=Place,
    taken_from=Place,
    family=ShimFamily,
)
