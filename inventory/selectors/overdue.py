"""Holds whose time is over and that no sweep has ended yet: their shims are nobody's any more.

Whoever takes shims ends them first (`hold_state.py`). Who only looks writes nothing, and sees by these what a
sweep will write within a minute; what rests on the books as they are, a job's state above all, follows then.
"""

import uuid
from collections import defaultdict
from collections.abc import Iterable
from copy import copy
from datetime import datetime

from django.db.models import DateTimeField, OuterRef, Q, QuerySet, Subquery, Sum, Value
from django.db.models.functions import Coalesce

from inventory.models import Balance, Hold, HoldLine
from inventory.services.hold_state import ENDED_BY_TIME, key_of
from inventory.services.ledger import ShimKey
from shop.db.written import ask


def is_overdue(hold: Hold, at: datetime) -> bool:
    """Whether its time is over and it still says that it is held."""
    return hold.state == Hold.State.HELD and hold.expires_at is not None and hold.expires_at <= at


def as_it_is(hold: Hold, at: datetime) -> Hold:
    """The hold as the sweep will leave it, where its time is over; else itself. Nothing is written."""
    if not is_overdue(hold, at):
        return hold
    ended = copy(hold)
    ended.state, ended.resolved_at, ended.resolved_by = Hold.State.EXPIRED, hold.expires_at, ENDED_BY_TIME
    return ended


def seen_at(holds: QuerySet[Hold], at: datetime) -> QuerySet[Hold]:
    """The holds, each with the moment of the look, for whoever sees nothing but the hold: `as_seen`."""
    return holds.annotate(seen_at=Value(at, output_field=DateTimeField()))


def as_seen(hold: Hold) -> Hold:
    """The hold as it is at the moment that `seen_at` gave it; without one, as it says."""
    at = getattr(hold, "seen_at", None)
    return hold if at is None else as_it_is(hold, at)


def in_state(state: str, at: datetime) -> Q:
    """Holds that are in this state at this moment, swept or not."""
    over = Q(state=Hold.State.HELD, expires_at__lte=at)
    if state == Hold.State.HELD:
        return Q(state=state) & ~over
    return Q(state=state) | over if state == Hold.State.EXPIRED else Q(state=state)


def overdue_promises(sites: Iterable[uuid.UUID], at: datetime) -> dict[ShimKey, int]:
    """What overdue holds of these sites still promise in the books; nearly always {}. One query."""
    found: dict[ShimKey, int] = defaultdict(int)
    for line in _overdue_lines(at).filter(hold__site__in=list(sites)):
        found[key_of(line, line.place_id)] += line.quantity
    return dict(found)


def without_overdue(lots: Iterable[Balance], sites: Iterable[uuid.UUID], at: datetime) -> list[Balance]:
    """The lots of these sites with what is really held of them. They are to be looked at and not saved."""
    # In this order: what a sweep ends in between is still held for this look. The other way round it would be
    # taken off twice, and shims be told as free that are not.
    found = list(lots)
    overdue = overdue_promises(sites, at)
    for lot in found if overdue else ():
        lot.held -= overdue.get(ShimKey(lot.family_id, lot.place_id, lot.thickness_nm, lot.condition), 0)
    return found


def with_overdue(lots: QuerySet[Balance], at: datetime) -> QuerySet[Balance]:
    """The lots with `overdue`: how many of those that the books have as held are not any more."""
    alike = ("place", "family", "thickness_nm", "condition")
    lines = _overdue_lines(at).filter(**{name: OuterRef(name) for name in alike})
    summed = lines.order_by().values("place").annotate(overdue=Sum("quantity")).values("overdue")
    return lots.annotate(overdue=Coalesce(Subquery(summed), 0))


def any_overdue(at: datetime) -> bool:
    """Whether a look has to reckon with any, at whatever site: one query, by an index of holds that stand."""
    return bool(ask(_ANY_OVERDUE, at))


# Written out, since every look at stock asks it.
_ANY_OVERDUE = "SELECT id FROM inventory_hold WHERE state = 'held' AND expires_at <= %s LIMIT 1"


def _overdue_lines(at: datetime) -> QuerySet[HoldLine]:
    return HoldLine.objects.filter(hold__state=Hold.State.HELD, hold__expires_at__lte=at)
