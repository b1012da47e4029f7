"""Shims between an engine and a job's tray: pull, fit, recover. Called by the job that they belong to."""

import uuid
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from inventory.models import Balance, Condition, Hold, HoldLine, Movement, Place, PlaceKind, Reason
from inventory.selectors.places import place_of
from inventory.services.holds import lock_hold, resolve
from inventory.services.ledger import Line, ShimKey, post_movement, transfer
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
    hold: Hold | None,
    job_id: uuid.UUID,
    document: str,
) -> tuple[Movement | None, Movement]:
    """Book what came out of the engine into the tray and what went in; resolves the hold.

    Held shims that were not fitted are given free in the same transaction (in the tray where they were handed
    out, else in their bins). Returns the pull (None if nothing came out) and the fit. Raises HoldExpired,
    WrongState, NotEnough, or Unprocessable when more is fitted from a hold line than was held.
    """
    actor.must(Action.WORK_JOB, site)
    engine = place_of(site, PlaceKind.ENGINE)
    unhold: dict[ShimKey, int] = defaultdict(int)
    if hold is not None:
        hold = lock_hold(hold, at)
        _count_fitted(hold, fitted)
        for line in hold.lines.all():
            unhold[ShimKey(line.family_id, line.place_id, line.thickness_nm, line.condition)] += line.quantity
    pull = None
    if pulled:
        pull = post_movement(
            site=site,
            reason=Reason.PULL,
            actor=actor,
            at=at,
            lines=[
                line
                for shim in pulled
                for line in transfer(
                    source=engine,
                    target=tray,
                    family_id=shim.family_id,
                    thickness_nm=shim.thickness_nm,
                    condition=shim.condition,
                    quantity=1,
                    pointer=shim.pointer,
                )
            ],
            job_id=job_id,
            document=document,
        )
    fit = post_movement(
        site=site,
        reason=Reason.FIT,
        actor=actor,
        at=at,
        lines=[
            line
            for item in fitted
            for line in transfer(
                source=_source(item, tray),
                target=engine,
                family_id=item.shim.family_id,
                thickness_nm=item.shim.thickness_nm,
                condition=item.shim.condition,
                quantity=1,
                pointer=item.shim.pointer,
            )
        ],
        job_id=job_id,
        document=document,
        unhold=unhold,
    )
    if hold is not None:
        resolve(hold, Hold.State.FITTED, by=actor.label, at=at)
    return pull, fit


@write_transaction
def recover_shims(
    *, site: Site, actor: Actor, at: datetime, tray: Place, job_id: uuid.UUID, document: str
) -> Movement | None:
    """Clear a job's tray: what came out of the engine to inspection, new shims that were not used to receiving.

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


def _source(item: Fitted, tray: Place) -> Place:
    if item.hold_line is not None:
        return item.hold_line.place
    return item.source or tray


def _count_fitted(hold: Hold, fitted: Sequence[Fitted]) -> None:
    counts: dict[int, int] = defaultdict(int)
    for item in fitted:
        if item.hold_line is not None:
            counts[item.hold_line.pk] += 1
    lines = list(hold.lines.all())
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
