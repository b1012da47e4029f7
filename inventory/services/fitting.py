"""Shims between an engine and a job's tray: pull, fit, recover. Called by the job that they belong to."""

import uuid
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from inventory.models import Balance, Condition, Hold, HoldLine, Movement, Place, PlaceKind, Reason
from inventory.selectors.places import place_of
from inventory.services.holds import lock_hold, resolve
from inventory.services.ledger import Line, ShimKey, lock_balances, post_movement, transfer
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import FieldError, Unprocessable
from shop.models import Site
from shop.roles import Action


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
    given free in the same transaction (in the tray where they were handed out, else in their bins). Returns
    the pull (None if nothing came out) and the fit. Raises HoldExpired, WrongState, NotEnough, or
    Unprocessable when more is fitted from a hold line than was held.
    """
    actor.must(Action.WORK_JOB, site)
    engine = place_of(site, PlaceKind.ENGINE)
    holds = [lock_hold(hold, at) for hold in sorted(holds, key=lambda hold: hold.pk)]
    unhold: dict[ShimKey, int] = defaultdict(int)
    for line in _count_fitted(holds, fitted):
        unhold[ShimKey(line.family_id, line.place_id, line.thickness_nm, line.condition)] += line.quantity
    out = _lines([(shim, engine, tray) for shim in pulled])
    into = _lines([(item.shim, _source(item, tray), engine) for item in fitted])
    # Two movements: without this, two engines that are fitted at once could each wait for the other.
    lock_balances([*out, *into])
    pull = None
    if out:
        pull = post_movement(
            site=site, reason=Reason.PULL, actor=actor, at=at, lines=out, job_id=job_id, document=document
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
    )
    for hold in holds:
        resolve(hold, Hold.State.FITTED, by=actor.label, at=at)
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


def _source(item: Fitted, tray: Place) -> Place:
    if item.hold_line is not None:
        return item.hold_line.place
    return item.source or tray


def _count_fitted(holds: Sequence[Hold], fitted: Sequence[Fitted]) -> list[HoldLine]:
    """Every line of the holds, with what of it was fitted written down."""
    counts: dict[int, int] = defaultdict(int)
    for item in fitted:
        if item.hold_line is not None:
            counts[item.hold_line.pk] += 1
    lines = list(HoldLine.objects.filter(hold__in=holds).order_by("hold_id", "position"))
    errors = [
        FieldError("/fitted", f"{counts[line.pk]} fitted, {line.quantity} held of line {line.position + 1}")
        for line in lines
        if counts[line.pk] > line.quantity
    ]
    if errors or set(counts) - {line.pk for line in lines}:
        raise Unprocessable("More shims were fitted than the hold has.", errors=errors)
    for line in lines:
        line.fitted = counts[line.pk]
    HoldLine.objects.bulk_update(lines, ["fitted"])
    return lines
