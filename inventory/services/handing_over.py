"""Shims that go from one job's tray to another's, promised all the while. Called by the jobs."""

import uuid
from datetime import datetime

from inventory.models import Hold, Movement, Place, PlaceKind, Reason
from inventory.selectors.places import place_of
from inventory.services.fitting import OneShim
from inventory.services.hold_state import lock_hold, resolve
from inventory.services.holds import Wanted, record_hold
from inventory.services.ledger import Line, ShimKey, lock_balances, post_movement, promise, transfer
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import Conflict, NotEnough
from shop.models import Site
from shop.roles import Action


@write_transaction
def hold_in_tray(
    *,
    site: Site,
    actor: Actor,
    at: datetime,
    tray: Place,
    shim: OneShim,
    job_id: uuid.UUID,
    reference: str,
    label: str,
) -> Hold:
    """Promise a shim that lies loose in a tray. It does not expire: the tray is a job's, like one that was
    handed out. Raises NotEnough when there is none to spare."""
    actor.must(Action.HOLD, site)
    if not promise(_key(tray, shim), 1):
        raise NotEnough(f"There is no such shim to spare in tray {tray}.")
    return _record(site, actor, at, tray, shim, job_id, reference, label)


@write_transaction
def hand_over_shim(
    *,
    site: Site,
    actor: Actor,
    at: datetime,
    giver: Place,
    taker: Place,
    shim: OneShim,
    hold: Hold | None,
    job_id: uuid.UUID,
    giver_id: uuid.UUID,
    reference: str,
    label: str,
    document: str,
) -> Hold:
    """Move one shim from the giver's tray to the taker's, where it stays held for the taker.

    `hold`: what holds it in the giver's tray; None for one that is still in the giver's engine: it is pulled
    first. Returns what holds it now.
    """
    actor.must(Action.HAND_OUT, site)
    key, target = _key(giver, shim), _key(taker, shim)
    moves = _moves(giver, taker, shim)
    if hold is None:
        pulled = _moves(place_of(site, PlaceKind.ENGINE), giver, shim)
        lock_balances([*pulled, *moves])
        post_movement(
            site=site,
            reason=Reason.PULL,
            actor=actor,
            at=at,
            lines=pulled,
            job_id=giver_id,
            document=document,
            locked=True,
        )
        held = _record(site, actor, at, taker, shim, job_id, reference, label)
    else:
        held = lock_hold(hold, at)
        lock_balances(moves)
    post_movement(
        site=site,
        reason=Reason.HAND_OVER,
        actor=actor,
        at=at,
        lines=moves,
        job_id=job_id,
        document=document,
        unhold={} if hold is None else {key: 1},
        hold={target: 1},
        locked=True,
    )
    held.lines.update(place=taker)
    return held


@write_transaction
def take_back_shim(
    *,
    site: Site,
    actor: Actor,
    at: datetime,
    tray: Place,
    target: Place,
    shim: OneShim,
    hold: Hold,
    job_id: uuid.UUID,
    document: str,
    note: str = "",
) -> Movement:
    """End the promise of a shim that was handed over, and bring it back: into the engine that it came out of,
    or into that job's tray. Raises Conflict when the tray no longer has it."""
    actor.must(Action.HAND_OUT, site)
    hold = lock_hold(hold, at)
    moves = _moves(tray, target, shim)
    lock_balances(moves)
    try:
        movement = post_movement(
            site=site,
            reason=Reason.HAND_BACK,
            actor=actor,
            at=at,
            lines=moves,
            job_id=job_id,
            document=document,
            note=note,
            unhold={_key(tray, shim): 1},
            locked=True,
        )
    except NotEnough as gone:
        raise Conflict(f"Tray {tray} no longer has the shim that was handed over.") from gone
    resolve(hold, Hold.State.RELEASED, by=actor.label, at=at, note=note)
    return movement


def _record(
    site: Site,
    actor: Actor,
    at: datetime,
    tray: Place,
    shim: OneShim,
    job_id: uuid.UUID,
    reference: str,
    label: str,
) -> Hold:
    wanted = Wanted(
        place=tray,
        family_id=shim.family_id,
        thickness_nm=shim.thickness_nm,
        condition=shim.condition,
        quantity=1,
        label=label,
    )
    hold = record_hold(site=site, actor=actor, at=at, lines=[wanted], reference=reference, job_id=job_id)
    hold.handed_out_at, hold.expires_at = at, None
    hold.save(update_fields=["handed_out_at", "expires_at"])
    return hold


def _key(place: Place, shim: OneShim) -> ShimKey:
    return ShimKey(shim.family_id, place.id, shim.thickness_nm, shim.condition)


def _moves(source: Place, target: Place, shim: OneShim) -> tuple[Line, Line]:
    return transfer(
        source=source,
        target=target,
        family_id=shim.family_id,
        thickness_nm=shim.thickness_nm,
        condition=shim.condition,
        quantity=1,
    )
