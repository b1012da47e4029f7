"""Shims between an engine and a job's tray: pull, fit, recover. Called by the job that they belong to."""

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from inventory.compute.lengths import show
from inventory.models import Balance, Condition, Hold, HoldLine, Movement, Place, PlaceKind, Reason
from inventory.selectors.places import place_of
from inventory.services.hold_state import key_of, lock_holds, resolve
from inventory.services.ledger import Line, ShimKey, lock_balances, post_movement, transfer
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import FieldError, Invalid, NotFound, Unprocessable
from shop.models import Site
from shop.roles import Action

MOST_NAMED = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class OneShim:
    """One physical shim, as the ledger counts it. `pointer`: where the user keyed it in."""

    family_id: uuid.UUID
    thickness_nm: int
    condition: str
    pointer: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """One shim that went into the engine: from the hold's line, or from any place (`source`) unheld."""

    shim: OneShim
    source: Place | None = None
    hold_line: HoldLine | None = None


@write_transaction
def fit_shims(
    *,
    site: Site,
    actor: Actor,
    at: datetime,
    tray: Place,
    pulled: Sequence[OneShim],
    fitted: Sequence[Fitted],
    holds: Sequence[Hold] = (),
    job_id: uuid.UUID,
    document: str,
) -> tuple[Movement | None, Movement]:
    """Book what came out of the engine into the tray and what went in; resolves the holds.

    A job has several holds where some of its shims had to be bought. Held shims that were not fitted are
    given free in the same transaction (in the tray where they were handed out, else in their bins); a hold of
    which none was is released and not fitted. Returns
    the pull (None if nothing came out) and the fit. Raises HoldExpired, WrongState, NotEnough, Invalid for a
    place of another site, or Unprocessable when more is fitted from a hold line than was held, another shim
    than it holds, or nothing at all.
    """
    actor.must(Action.WORK_JOB, site)
    _refuse_foreign(site, tray, fitted, holds)
    engine = place_of(site, PlaceKind.ENGINE)
    locked = lock_holds(site=site, at=at, holds=holds)
    unhold: dict[ShimKey, int] = defaultdict(int, locked.freed)
    held = _count_fitted(locked.held, fitted)
    for line in held.values():
        unhold[key_of(line, line.place_id)] += line.quantity
    out = _lines([(shim, engine, tray) for shim in pulled])
    into = _lines([(item.shim, _source(item, held, tray), engine) for item in fitted])
    # Two movements: without this, two engines that are fitted at once could each wait for the other.
    lock_balances([*out, *into], unhold)
    pull = None
    if out:
        pull = post_movement(
            site=site,
            reason=Reason.PULL,
            actor=actor,
            at=at,
            lines=out,
            job_id=job_id,
            document=document,
            locked=True,
        )
    fit = post_movement(
        site=site,
        reason=Reason.FIT,
        actor=actor,
        at=at,
        lines=into,
        job_id=job_id,
        document=document,
        unhold=unhold,
        locked=True,
    )
    for hold in locked.held:
        lines = [line for line in held.values() if line.hold_id == hold.pk]
        used = any(line.fitted for line in lines)
        lying = sorted({line.place.code for line in lines})
        note = "" if used else f"Not used: free again, in {', '.join(lying[:MOST_NAMED])}"
        resolve(hold, Hold.State.FITTED if used else Hold.State.RELEASED, by=actor.label, at=at, note=note)
    return pull, fit


@write_transaction
def recover_shims(
    *, site: Site, actor: Actor, at: datetime, tray: Place, job_id: uuid.UUID, document: str
) -> Movement | None:
    """Clear a job's tray: what came out of the engine to inspection, new shims that were not used to
    receiving.

    None when the tray is empty. Raises NotEnough while a hold still promises shims in the tray.
    """
    actor.must(Action.WORK_JOB, site)
    inspection, receiving = place_of(site, PlaceKind.INSPECTION), place_of(site, PlaceKind.RECEIVING)
    lines: list[Line] = []
    for balance in Balance.objects.filter(place=tray, on_hand__gt=0):
        lines += transfer(
            source=tray,
            target=receiving if balance.condition == Condition.NEW else inspection,
            family_id=balance.family_id,
            thickness_nm=balance.thickness_nm,
            condition=balance.condition,
            quantity=balance.on_hand,
        )
    if not lines:
        return None
    return post_movement(
        site=site, reason=Reason.RECOVER, actor=actor, at=at, lines=lines, job_id=job_id, document=document
    )


def _lines(moves: Sequence[tuple[OneShim, Place, Place]]) -> list[Line]:
    """The lines that take each shim from the first place to the second."""
    return [
        line
        for shim, source, target in moves
        for line in transfer(
            source=source,
            target=target,
            family_id=shim.family_id,
            thickness_nm=shim.thickness_nm,
            condition=shim.condition,
            quantity=1,
            pointer=shim.pointer,
        )
    ]


def _source(item: Fitted, held: Mapping[int, HoldLine], tray: Place) -> Place:
    if item.hold_line is not None:
        return held[item.hold_line.pk].place
    return item.source or tray


def _refuse_foreign(site: Site, tray: Place, fitted: Sequence[Fitted], holds: Sequence[Hold]) -> None:
    if any(hold.site_id != site.id for hold in holds):
        raise NotFound(f"There is no such hold at {site.name}.")
    if not fitted:
        raise Unprocessable("Nothing was fitted: release the hold instead.")
    if tray.kind != PlaceKind.TRAY or tray.site_id != site.id:
        words = f"{tray.code} is no tray of {site.name}"
        raise Invalid(f"{words}.", errors=[FieldError("/tray", words)])
    errors = [
        FieldError(item.shim.pointer, f"{item.source.code} is no place of {site.name} that shims are kept in")
        for item in fitted
        if item.source is not None and (item.source.site_id != site.id or item.source.is_outside)
    ]
    if errors:
        raise Invalid("Nothing was fitted: " + "; ".join(e.detail for e in errors) + ".", errors=errors)


def _count_fitted(holds: Sequence[Hold], fitted: Sequence[Fitted]) -> dict[int, HoldLine]:
    """Every line of the holds by its id, with what of it was fitted written down."""
    lines = {line.pk: line for hold in holds for line in hold.lines.all()}
    counts: dict[int, int] = defaultdict(int)
    errors = []
    for item in fitted:
        if item.hold_line is None:
            continue
        counts[item.hold_line.pk] += 1
        line = lines.get(item.hold_line.pk)
        if line is None:
            errors.append(FieldError(item.shim.pointer, "is not held for this job"))
        elif (item.shim.family_id, item.shim.thickness_nm, item.shim.condition) != (
            line.family_id,
            line.thickness_nm,
            line.condition,
        ):
            errors.append(
                FieldError(
                    item.shim.pointer,
                    f"{show(item.shim.thickness_nm)} mm was fitted, {show(line.thickness_nm)} mm is held",
                )
            )
        elif counts[line.pk] == line.quantity + 1:
            errors.append(
                FieldError(
                    item.shim.pointer,
                    f"more than the {line.quantity} × {show(line.thickness_nm)} mm that are held",
                )
            )
    if errors:
        raise Unprocessable("Nothing was fitted: " + "; ".join(e.detail for e in errors) + ".", errors=errors)
    for line in lines.values():
        line.fitted = counts[line.pk]
    HoldLine.objects.bulk_update(lines.values(), ["fitted"])
    return lines
