"""Holds: stock promised to a job or an outside reference, in two phases.

A hold is held, then fitted, released or expired, once. Expiry is a rule, not a job: whoever asks for shims
expires overdue holds first, in the same transaction, so a late sweep never keeps shims from anybody.
"""

import uuid
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta


from inventory.compute.lengths import show
from inventory.models import Condition, Hold, HoldLine, Place, PlaceKind, Reason
from inventory.services.ledger import (
    ShimKey,
    available,
    give_free,
    post_movement,
    promise,
    transfer,
)
from shop.actor import Actor
from shop.conf import conf
from shop.db import write_transaction
from shop.errors import FieldError, HoldExpired, Invalid, NotEnough, WrongState
from shop.models import Site
from shop.roles import Action

MOST_LINES = 500
MOST_OPEN_HOLDS_PER_JOB = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """One line of a hold: so many shims from one bin. `label`: the valve it is for, if any."""

    place: Place
    family_id: uuid.UUID
    thickness_nm: int
    condition: str
    quantity: int
    label: str = ""

    @property
    def key(self) -> ShimKey:
        return ShimKey(self.family_id, self.place.id, self.thickness_nm, self.condition)


@write_transaction
def hold_shims(
    *,
    site: Site,
    actor: Actor,
    at: datetime,
    lines: Sequence[Wanted],
    reference: str,
    job_id: uuid.UUID | None = None,
    expires_in: timedelta | None = None,
    note: str = "",
) -> Hold:
    """Promise every line or nothing. Raises NotEnough with an error per line that is gone.

    `expires_in`: how long the promise stands; None for the shop's setting.
    """
    actor.must(Action.HOLD, site)
    _refuse_bad_lines(lines, site)
    expire_due_holds(site=site, at=at)
    if (
        job_id
        and Hold.objects.filter(job_id=job_id, state=Hold.State.HELD).count() >= MOST_OPEN_HOLDS_PER_JOB
    ):
        raise Invalid(f"A job may have {MOST_OPEN_HOLDS_PER_JOB} open holds; release some first.")
    _promise_all(lines)
    hold = Hold.objects.create(
        site=site,
        job_id=job_id,
        reference=reference,
        created_at=at,
        created_by=actor.label,
        expires_at=at + (expires_in or conf.hold_time),
        note=note,
    )
    HoldLine.objects.bulk_create(
        HoldLine(
            hold=hold,
            position=position,
            place=line.place,
            taken_from=line.place,
            family_id=line.family_id,
            thickness_nm=line.thickness_nm,
            condition=line.condition,
            quantity=line.quantity,
            label=line.label,
        )
        for position, line in enumerate(lines)
    )
    return hold


@write_transaction
def extend_hold(*, hold: Hold, actor: Actor, at: datetime, expires_in: timedelta) -> Hold:
    """Let the promise stand until `expires_in` from now. Raises HoldExpired or WrongState."""
    actor.must(Action.HOLD, hold.site)
    hold = lock_hold(hold, at)
    if hold.expires_at is None:
        raise WrongState("These shims are handed out: the hold no longer expires.")
    hold.expires_at = at + expires_in
    hold.version += 1
    hold.save(update_fields=["expires_at", "version"])
    return hold


@write_transaction
def release_hold(*, hold: Hold, actor: Actor, at: datetime, note: str = "") -> Hold:
    """Give the shims free. Shims that were handed out stay in the tray until they are handed back."""
    actor.must(Action.HOLD, hold.site)
    hold = lock_hold(hold, at)
    for key, quantity in sorted(_promised(hold).items()):
        give_free(key, quantity)
    return resolve(hold, Hold.State.RELEASED, by=actor.label, at=at, note=note)


@write_transaction
def hand_out_hold(*, hold: Hold, tray: Place, actor: Actor, at: datetime, document: str = "") -> Hold:
    """Move the held shims, and the promise with them, to a job's tray. From then on it does not expire."""
    actor.must(Action.HAND_OUT, hold.site)
    if tray.kind != PlaceKind.TRAY or tray.site_id != hold.site_id:
        raise Invalid(f"{tray.code} is no tray of this site.")
    hold = lock_hold(hold, at)
    if hold.handed_out_at:
        raise WrongState(f"The shims of {hold.reference} were handed out already.")
    lines = list(hold.lines.select_related("place"))
    moves, unhold, promises = [], defaultdict(int), defaultdict(int)
    for line in lines:
        moves += transfer(
            source=line.place,
            target=tray,
            family_id=line.family_id,
            thickness_nm=line.thickness_nm,
            condition=line.condition,
            quantity=line.quantity,
        )
        unhold[_key(line, line.place_id)] += line.quantity
        promises[_key(line, tray.id)] += line.quantity
    post_movement(
        site=hold.site,
        reason=Reason.HAND_OUT,
        actor=actor,
        at=at,
        lines=moves,
        job_id=hold.job_id,
        document=document or hold.reference,
        unhold=unhold,
        hold=promises,
    )
    for line in lines:
        line.place = tray
    HoldLine.objects.bulk_update(lines, ["place"])
    hold.handed_out_at, hold.expires_at = at, None
    hold.version += 1
    hold.save(update_fields=["handed_out_at", "expires_at", "version"])
    return hold


@write_transaction
def hand_back_hold(*, hold: Hold, actor: Actor, at: datetime, note: str = "") -> Hold:
    """Return handed-out shims to the bins that they came from, and end the hold."""
    actor.must(Action.HAND_OUT, hold.site)
    hold = lock_hold(hold, at)
    if not hold.handed_out_at:
        raise WrongState(f"The shims of {hold.reference} were not handed out; release the hold instead.")
    moves, unhold = [], defaultdict(int)
    for line in hold.lines.select_related("place", "taken_from"):
        moves += transfer(
            source=line.place,
            target=line.taken_from,
            family_id=line.family_id,
            thickness_nm=line.thickness_nm,
            condition=line.condition,
            quantity=line.quantity,
        )
        unhold[_key(line, line.place_id)] += line.quantity
    post_movement(
        site=hold.site,
        reason=Reason.HAND_BACK,
        actor=actor,
        at=at,
        lines=moves,
        job_id=hold.job_id,
        document=hold.reference,
        note=note,
        unhold=unhold,
    )
    return resolve(hold, Hold.State.RELEASED, by=actor.label, at=at, note=note)


@write_transaction
def expire_due_holds(*, site: Site, at: datetime) -> int:
    """Expire every hold of the site whose time is over; returns how many. Safe to run twice or at once."""
    due = list(
        Hold.objects.filter(site=site, state=Hold.State.HELD, expires_at__lte=at)
        .select_for_update(skip_locked=True)
        .prefetch_related("lines")
        .order_by("id")
    )
    freed: dict[ShimKey, int] = defaultdict(int)
    for hold in due:
        for key, quantity in _promised(hold).items():
            freed[key] += quantity
    for key, quantity in sorted(freed.items()):
        give_free(key, quantity)
    for hold in due:
        resolve(hold, Hold.State.EXPIRED, by="Coldgap", at=at)
    return len(due)


def lock_hold(hold: Hold, at: datetime) -> Hold:
    """The hold, locked and still held. Raises HoldExpired once its time is over, swept or not, else WrongState."""
    fresh = Hold.objects.select_for_update().select_related("site").get(pk=hold.pk)
    if fresh.state == Hold.State.EXPIRED or (
        fresh.state == Hold.State.HELD and fresh.expires_at is not None and fresh.expires_at <= at
    ):
        raise HoldExpired(
            f"The hold for {fresh.reference} has expired; its shims are free for others. Hold them again.",
            extra={"state": Hold.State.EXPIRED},
        )
    if fresh.state != Hold.State.HELD:
        raise WrongState(
            f"The hold for {fresh.reference} is {fresh.get_state_display().lower()} already.",
            extra={"state": fresh.state},
        )
    return fresh


def resolve(hold: Hold, state: Hold.State, *, by: str, at: datetime, note: str = "") -> Hold:
    """Bring a locked hold to its final state; a trigger lets this happen once."""
    hold.state, hold.resolved_at, hold.resolved_by = state, at, by
    hold.note = note or hold.note
    hold.version += 1
    hold.save(update_fields=["state", "resolved_at", "resolved_by", "note", "version"])
    return hold


def _promised(hold: Hold) -> dict[ShimKey, int]:
    promised: dict[ShimKey, int] = defaultdict(int)
    for line in hold.lines.all():
        promised[_key(line, line.place_id)] += line.quantity
    return promised


def _key(line: HoldLine, place_id: uuid.UUID) -> ShimKey:
    return ShimKey(line.family_id, place_id, line.thickness_nm, line.condition)


def _promise_all(lines: Sequence[Wanted]) -> None:
    wanted: dict[ShimKey, int] = defaultdict(int)
    for line in lines:
        wanted[line.key] += line.quantity
    gone = {key for key in sorted(wanted) if not promise(key, wanted[key])}
    if not gone:
        return
    errors = [
        FieldError(
            f"/lines/{index}",
            f"{wanted[line.key]} × {show(line.thickness_nm)} mm {Condition(line.condition).label.lower()} asked"
            f" from {line.place.code}, {available(line.key)} available",
        )
        for index, line in enumerate(lines)
        if line.key in gone
    ]
    raise NotEnough(
        "Nothing was held: " + "; ".join(error.detail for error in errors) + ". Plan again.", errors=errors
    )


def _refuse_bad_lines(lines: Sequence[Wanted], site: Site) -> None:
    if not 1 <= len(lines) <= MOST_LINES:
        raise Invalid(
            f"A hold has 1 to {MOST_LINES} lines; this one has {len(lines)}.",
            errors=[FieldError("/lines", f"must have 1 to {MOST_LINES} lines")],
        )
    errors = []
    for index, line in enumerate(lines):
        if line.quantity < 1:
            errors.append(FieldError(f"/lines/{index}/quantity", "must be 1 or more"))
        if line.place.site_id != site.id or line.place.kind != PlaceKind.BIN:
            errors.append(FieldError(f"/lines/{index}/bin", f"{line.place.code} is no bin of this site"))
        if line.condition == Condition.UNMEASURED:
            errors.append(
                FieldError(f"/lines/{index}/condition", "a shim must be measured before it is held")
            )
    if errors:
        raise Invalid(
            "Some lines cannot be held: " + "; ".join(e.detail for e in errors) + ".", errors=errors
        )
