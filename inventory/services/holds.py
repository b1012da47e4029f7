"""Holds: stock promised to a job or an outside reference, in two phases.

A hold is held, then fitted, released or expired, once; see hold_state.py.
"""

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from inventory.compute.lengths import show
from inventory.models import Condition, Hold, HoldLine, Place, PlaceKind, Reason
from inventory.services.hold_state import key_of, lines_of, lock_hold, lock_holds, promised, resolve
from inventory.services.hold_times import LONGEST, usual_expiry
from inventory.services.ledger import MOST_LINES as MOST_MOVEMENT_LINES
from inventory.services.ledger import (
    MOST_QUANTITY,
    ShimKey,
    available,
    give_free,
    lock_places,
    post_movement,
    promise,
    transfer,
)
from inventory.services.texts import check_texts, in_words, text_errors
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import FieldError, Invalid, NotEnough, WrongState
from shop.models import Site
from shop.roles import Action

# Handing out moves each line from its bin to the tray: two lines of one movement.
MOST_LINES = MOST_MOVEMENT_LINES // 2
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

    `expires_in`: how long the promise stands; None for the usual time (hold_times.py).
    """
    actor.must(Action.HOLD, site)
    if not reference.strip():
        raise Invalid(
            "Say what the shims are held for.",
            errors=[FieldError("/reference", "must name a job or an order")],
        )
    check_texts(Hold, reference=reference, note=note)
    _refuse_bad_lines(lines, site)
    expires_at = expiry_at(at, expires_in, job_id)
    freed = lock_holds(site=site, at=at).freed
    open_holds = Hold.objects.filter(job_id=job_id, state=Hold.State.HELD)
    if job_id and open_holds.count() >= MOST_OPEN_HOLDS_PER_JOB:
        raise Invalid(f"A job may have {MOST_OPEN_HOLDS_PER_JOB} open holds; release some first.")
    _promise_all(lines, freed)
    return record_hold(
        site=site,
        actor=actor,
        at=at,
        lines=lines,
        reference=reference,
        job_id=job_id,
        expires_at=expires_at,
        note=note,
    )


def record_hold(
    *,
    site: Site,
    actor: Actor,
    at: datetime,
    lines: Sequence[Wanted],
    reference: str,
    job_id: uuid.UUID | None,
    expires_at: datetime | None = None,
    note: str = "",
) -> Hold:
    """Write down a hold whose shims were promised in this transaction, by `promise` or by a movement.

    `expires_at`: None for the usual time.
    """
    hold = Hold.objects.create(
        site=site,
        job_id=job_id,
        reference=reference,
        created_at=at,
        created_by=actor.label,
        expires_at=expires_at or usual_expiry(at, job_id),
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
    expires_at = expiry_at(at, expires_in)
    hold = lock_hold(hold, at)
    if hold.expires_at is None:
        raise WrongState("These shims are handed out: the hold no longer expires.")
    hold.expires_at = expires_at
    hold.version += 1
    hold.save(update_fields=["expires_at", "version"])
    return hold


@write_transaction
def release_hold(*, hold: Hold, actor: Actor, at: datetime, note: str = "") -> Hold:
    """Give the shims free. Shims that were handed out stay in the tray until they are handed back."""
    actor.must(Action.HOLD, hold.site)
    hold = lock_hold(hold, at)
    for key, quantity in sorted(promised(lines_of(hold)).items()):
        give_free(key, quantity)
    return resolve(hold, Hold.State.RELEASED, by=actor.label, at=at, note=note)


@write_transaction
def hand_out_hold(*, hold: Hold, tray: Place, actor: Actor, at: datetime, document: str = "") -> Hold:
    """Move the held shims, and the promise with them, to a job's tray. From then on it does not expire."""
    actor.must(Action.HAND_OUT, hold.site)
    if tray.kind != PlaceKind.TRAY or tray.site_id != hold.site_id:
        words = f"{tray.code} is no tray of {hold.site.name}"
        raise Invalid(f"{words}.", errors=[FieldError("/tray", words)])
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
            pointer=f"/lines/{line.position}",
        )
        unhold[key_of(line, line.place_id)] += line.quantity
        promises[key_of(line, tray.id)] += line.quantity
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
    """Return handed-out shims to the bins that they came from, and end the hold.

    Those bins are in use: none is retired while shims from it are out.
    """
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
        unhold[key_of(line, line.place_id)] += line.quantity
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
    locked = lock_holds(site=site, at=at)
    for key, quantity in sorted(locked.freed.items()):
        give_free(key, quantity)
    return len(locked.expired)


def expiry_at(at: datetime, expires_in: timedelta | None, job_id: uuid.UUID | None = None) -> datetime:
    """When a hold that is made or extended now runs out; `expires_in` None for the usual time. Raises
    Invalid."""
    if expires_in is None:
        return usual_expiry(at, job_id)
    if not timedelta(0) < expires_in <= LONGEST:
        raise Invalid(
            f"A hold stands for up to {LONGEST.days} days from now, and at least a moment.",
            errors=[FieldError("/expires_in", f"must be above 0 and at most {LONGEST.days} days")],
        )
    return at + expires_in


def _promise_all(lines: Sequence[Wanted], freed: Mapping[ShimKey, int]) -> None:
    """One pass over the balances: what overdue holds give free, and what is promised now."""
    wanted: dict[ShimKey, int] = dict.fromkeys(freed, 0)
    for line in lines:
        wanted[line.key] = wanted.get(line.key, 0) + line.quantity
    lock_places({key.place_id for key in wanted})
    gone = {key for key in sorted(wanted) if not promise(key, wanted[key], freed.get(key, 0))}
    if not gone:
        return
    there = {key: available(key) + freed.get(key, 0) for key in gone}
    errors = [
        FieldError(
            f"/lines/{index}",
            f"{wanted[line.key]} × {show(line.thickness_nm)} mm {Condition(line.condition).label.lower()} "
            f"asked from {line.place.code}, {there[line.key]} available",
        )
        for index, line in enumerate(lines)
        if line.key in gone
    ]
    details = "; ".join(dict.fromkeys(error.detail for error in errors))
    raise NotEnough(f"Nothing was held: {details}. Plan again.", errors=errors)


def _refuse_bad_lines(lines: Sequence[Wanted], site: Site) -> None:
    if not 1 <= len(lines) <= MOST_LINES:
        raise Invalid(
            f"A hold has 1 to {MOST_LINES} lines; this one has {len(lines)}.",
            errors=[FieldError("/lines", f"must have 1 to {MOST_LINES} lines")],
        )
    errors = []
    for index, line in enumerate(lines):
        if not 1 <= line.quantity <= MOST_QUANTITY:
            errors.append(FieldError(f"/lines/{index}/quantity", f"must be 1 to {MOST_QUANTITY:,}"))
        if line.place.site_id != site.id or line.place.kind != PlaceKind.BIN or line.place.retired_at:
            errors.append(
                FieldError(f"/lines/{index}/bin", f"{line.place.code} is no bin in use at {site.name}")
            )
        errors += text_errors(HoldLine, "label", line.label, f"/lines/{index}/label")
        if line.condition == Condition.UNMEASURED:
            errors.append(
                FieldError(f"/lines/{index}/condition", "a shim must be measured before it is held")
            )
    if errors:
        raise Invalid(in_words("Nothing was held", errors), errors=errors)
