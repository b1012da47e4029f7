"""A hold's way from held to its one final state, and the lock under which it goes there.

Expiry is a rule, not a job: whoever takes shims that a hold may promise brings the site's overdue holds to
their end first, in the same transaction, so that a late sweep never keeps shims from anybody.
"""

import uuid
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Prefetch, Q, prefetch_related_objects

from inventory.models import Hold, HoldLine, Place
from inventory.services.ledger import ShimKey
from inventory.services.texts import check_texts
from shop.db import by_now, once_locked
from shop.db.written import Written
from shop.errors import HoldExpired, WrongState
from shop.models import Site

ENDED_BY_TIME = "Coldgap"
"""Who ended a hold that ran out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Locked:
    """What `lock_holds` found.

    held: the holds that were asked for, by themselves or by their job, fresh and still held, by id.
    expired: the overdue ones, which have just expired.
    freed: what those promised. The caller gives it free in its one pass over the balances.
    """

    held: list[Hold]
    expired: list[Hold]
    freed: dict[ShimKey, int]


def lock_hold(hold: Hold, at: datetime) -> Hold:
    """The hold, locked and still held. Raises HoldExpired once its time is over, swept or not, else
    WrongState."""
    # Not its site's row with it: that would stop every movement of the site.
    fresh, fresh.site = _HOLD.rows(hold.pk, lock="hold")[0]
    _refuse_over(fresh, once_locked(at))
    return fresh


_HOLD = Written(
    "SELECT {hold}, {site} FROM inventory_hold hold JOIN shop_site site ON site.id = hold.site_id"
    " WHERE hold.id = %s",
    hold=Hold,
    site=Site,
)


def lock_holds(
    *,
    site: Site,
    at: datetime,
    holds: Sequence[Hold] = (),
    job_id: uuid.UUID | None = None,
    place: Place | None = None,
) -> Locked:
    """These holds locked, and with them every overdue one of the site, which expires.

    `job_id`, `place`: lock every hold that stands for this job, or has shims there, as well; one that is over
    is just not among them.
    Raises HoldExpired or WrongState for one of `holds` that is over.
    """
    asked = {hold.pk for hold in holds}
    due_by = by_now(at)
    wanted = Q(site=site, state=Hold.State.HELD, expires_at__lte=due_by)
    if job_id is not None:
        wanted |= Q(job_id=job_id, state=Hold.State.HELD)
    if place is not None:
        wanted |= Q(pk__in=HoldLine.objects.filter(place=place).values("hold"), state=Hold.State.HELD)
    if asked:
        wanted |= Q(pk__in=asked)
    # One statement: who locks one hold after another may wait for somebody who does it the other way round.
    # It waits, too, for whoever is expiring one just now, and does not take those shims for held.
    if asked or job_id is not None or place is not None:
        locked = list(Hold.objects.select_for_update().filter(wanted).order_by("pk"))
    else:
        locked = [hold for (hold,) in _OVERDUE.rows(site.pk, due_by, lock="hold")]
    prefetch_related_objects(locked, Prefetch("lines", HoldLine.objects.select_related("place")))
    at = once_locked(at)
    for hold in locked:
        if hold.pk in asked:
            _refuse_over(hold, at)
    held = asked | {hold.pk for hold in locked if hold.expires_at is None or hold.expires_at > at}
    expired = [hold for hold in locked if hold.pk not in held]
    freed: dict[ShimKey, int] = defaultdict(int)
    for hold in expired:
        for key, quantity in promised(hold.lines.all()).items():
            freed[key] += quantity
        # When its time was over, not when somebody came by: so a look before that has told it already.
        resolve(hold, Hold.State.EXPIRED, by=ENDED_BY_TIME, at=hold.expires_at or at)
    return Locked(held=[hold for hold in locked if hold.pk in held], expired=expired, freed=freed)


# What is asked for with every hold that is made.
_OVERDUE = Written(
    "SELECT {hold} FROM inventory_hold hold WHERE hold.site_id = %s AND hold.state = 'held'"
    " AND hold.expires_at <= %s ORDER BY hold.id",
    hold=Hold,
)


def resolve(hold: Hold, state: Hold.State, *, by: str, at: datetime, note: str = "") -> Hold:
    """Bring a locked hold to its final state; a trigger lets this happen once."""
    check_texts(Hold, note=note)
    hold.state, hold.resolved_at, hold.resolved_by = state, at, by
    hold.note = note or hold.note
    hold.version += 1
    hold.save(update_fields=["state", "resolved_at", "resolved_by", "note", "version"])
    return hold


def promised(lines: Iterable[HoldLine]) -> dict[ShimKey, int]:
    """What the lines of holds promise, by balance."""
    found: dict[ShimKey, int] = defaultdict(int)
    for line in lines:
        found[key_of(line, line.place_id)] += line.quantity
    return found


def lines_of(hold: Hold) -> list[HoldLine]:
    """Its lines as they are just now, with nothing of what they name."""
    return [line for (line,) in _LINES.rows(hold.pk)]


_LINES = Written(
    "SELECT {line} FROM inventory_holdline line WHERE line.hold_id = %s ORDER BY line.position", line=HoldLine
)


def key_of(line: HoldLine, place_id: uuid.UUID) -> ShimKey:
    """The balance of a hold line's shims in this place."""
    return ShimKey(line.family_id, place_id, line.thickness_nm, line.condition)


def refuse_expired(hold: Hold, at: datetime) -> None:
    """Raises HoldExpired for one whose time is over, swept or not."""
    if hold.state == Hold.State.EXPIRED or (
        hold.state == Hold.State.HELD and hold.expires_at is not None and hold.expires_at <= at
    ):
        raise HoldExpired(
            f"The hold for {hold.reference} has expired; its shims are free for others. Hold them again.",
            extra={"state": Hold.State.EXPIRED},
        )


def _refuse_over(fresh: Hold, at: datetime) -> None:
    refuse_expired(fresh, at)
    if fresh.state != Hold.State.HELD:
        raise WrongState(
            f"The hold for {fresh.reference} is {fresh.get_state_display().lower()} already.",
            extra={"state": fresh.state},
        )
