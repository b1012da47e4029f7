"""The acts of the floor on stock: receive, put away, move, return to a bin, scrap, count, reverse.

Each is one movement in one transaction, under its own name in the ledger.
"""

from collections.abc import Sequence
from datetime import datetime

from inventory.models import (
    Condition,
    HoldLine,
    Inspection,
    Movement,
    Place,
    PlaceKind,
    Reason,
    TransferMovement,
)
from inventory.selectors.places import place_of
from inventory.services.claims import unlink_claims
from inventory.services.hold_state import lock_holds
from inventory.services.inspection_fate import (
    give_back,
    keep_taken,
    lock_bench,
    refuse_proposed_for_scrap,
    waiting_one,
)
from inventory.services.ledger import Line, lock_balances, post_movement
from inventory.services.shim_lines import (
    Shims,
    bad_counts,
    kept_for_others,
    lines_between,
    must_say,
    refuse,
    refuse_bad_shims,
    refuse_other_family,
)
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import Conflict, FieldError, Invalid, WrongState
from shop.models import Site
from shop.roles import Action


@write_transaction
def receive_shims(
    *,
    site: Site,
    actor: Actor,
    at: datetime,
    shims: Sequence[Shims],
    document: str = "",
    note: str = "",
    confirm: bool = False,
) -> Movement:
    """Take a delivery in: from the supplier into each line's bin, or into receiving where none is named.

    confirm: also into bins that are kept for another family, which is refused otherwise. So for all acts that
    put shims into a bin that a person names.
    """
    actor.must(Action.RECEIVE, site)
    receiving, supplier = place_of(site, PlaceKind.RECEIVING), place_of(site, PlaceKind.SUPPLIER)
    refuse_bad_shims(shims, site)
    refuse_other_family(shims, confirm=confirm)
    return _move(
        [(supplier, line.place or receiving, line) for line in shims],
        site=site,
        reason=Reason.RECEIVE,
        actor=actor,
        at=at,
        document=document,
        note=note,
    )


@write_transaction
def put_away(
    *,
    site: Site,
    actor: Actor,
    at: datetime,
    shims: Sequence[Shims],
    note: str = "",
    confirm: bool = False,
) -> Movement:
    """Bring shims from receiving to each line's bin."""
    actor.must(Action.MOVE_STOCK, site)
    refuse_bad_shims(shims, site, bin_needed=True)
    refuse_other_family(shims, confirm=confirm)
    receiving = place_of(site, PlaceKind.RECEIVING)
    return _move(
        [(receiving, line.place, line) for line in shims],
        site=site,
        reason=Reason.PUT_AWAY,
        actor=actor,
        at=at,
        note=note,
    )


@write_transaction
def move_shims(
    *,
    site: Site,
    actor: Actor,
    at: datetime,
    source: Place,
    shims: Sequence[Shims],
    note: str = "",
    confirm: bool = False,
) -> Movement:
    """Move shims from one bin to each line's bin."""
    actor.must(Action.MOVE_STOCK, site)
    refuse_bad_shims(shims, site, bin_needed=True)
    _refuse_unless_kind(source, PlaceKind.BIN, site)
    if any(line.place == source for line in shims):
        raise Invalid(
            f"The shims are in {source.code} already.",
            errors=[
                FieldError(f"/lines/{index}/bin", "must be another bin than the shims come from")
                for index, line in enumerate(shims)
                if line.place == source
            ],
        )
    refuse_other_family(shims, confirm=confirm)
    return _move(
        [(source, line.place, line) for line in shims],
        site=site,
        reason=Reason.MOVE,
        actor=actor,
        at=at,
        note=note,
        from_bins=True,
    )


@write_transaction
def return_to_bin(
    *,
    site: Site,
    actor: Actor,
    at: datetime,
    shims: Sequence[Shims],
    note: str = "",
    confirm: bool = False,
    inspected: Inspection | None = None,
) -> Movement:
    """Bring inspected shims from the inspection place back to each line's bin.

    confirm: also where scrap was proposed for one of them, which is refused otherwise.
    inspected: the inspection that one of them was taken from; Conflict when its shim was taken before. Left
    out, what leaves the bench takes inspections by the rule of `inspection_fate`.
    """
    actor.must(Action.INSPECT, site)
    refuse_bad_shims(shims, site, bin_needed=True)
    if any(line.condition == Condition.UNMEASURED for line in shims):
        raise WrongState("Measure the shim first: what goes into a bin counts at its measured thickness.")
    bench = lock_bench(site)
    named = waiting_one(inspected, site, shims) if inspected else None
    if not confirm:
        also = kept_for_others(shims)
        refuse_proposed_for_scrap(shims, bench, Reason.RETURN_TO_BIN, named, asked_too=also)
    refuse_other_family(shims, confirm=confirm)
    movement = _move(
        [(bench, line.place, line) for line in shims],
        site=site,
        reason=Reason.RETURN_TO_BIN,
        actor=actor,
        at=at,
        note=note,
    )
    return keep_taken(movement, bench, named)


@write_transaction
def scrap_shims(
    *,
    site: Site,
    actor: Actor,
    at: datetime,
    source: Place,
    shims: Sequence[Shims],
    note: str,
    inspected: Inspection | None = None,
) -> Movement:
    """Throw shims away, with a reason in `note`.

    inspected: the inspection that one of them was taken from; Conflict when its shim was taken before. Left
    out, what leaves the bench takes inspections by the rule of `inspection_fate`.
    """
    actor.must(Action.SCRAP, site)
    refuse(bad_counts(shims))
    must_say("/note", note, "Say why the shims are scrapped.")
    if source.site_id != site.id or source.is_outside:
        raise Invalid(
            f"{source.code} is no place of {site.name} that shims can be scrapped from.",
            errors=[FieldError("/source", "must be a place of this site where shims are kept")],
        )
    scrap = place_of(site, PlaceKind.SCRAP)
    bench = lock_bench(site) if source.kind == PlaceKind.INSPECTION else None
    if inspected and bench is None:
        words = f"the shim of this inspection lies at inspection, not in {source.code}"
        raise Invalid(f"Nothing was booked: {words}.", errors=[FieldError("/inspection", words)])
    named = waiting_one(inspected, site, shims) if inspected else None
    movement = _move(
        [(source, scrap, line) for line in shims],
        site=site,
        reason=Reason.SCRAP,
        actor=actor,
        at=at,
        note=note,
        from_bins=True,
    )
    return keep_taken(movement, bench, named) if bench else movement


@write_transaction
def count_in(
    *,
    site: Site,
    actor: Actor,
    at: datetime,
    shims: Sequence[Shims],
    note: str,
    confirm: bool = False,
) -> Movement:
    """Book shims that were counted in their bins and that no movement explains: a drawer's opening count."""
    actor.must(Action.MOVE_STOCK, site)
    refuse_bad_shims(shims, site, bin_needed=True)
    refuse_other_family(shims, confirm=confirm)
    difference = place_of(site, PlaceKind.DIFFERENCE)
    return _move(
        [(difference, line.place, line) for line in shims],
        site=site,
        reason=Reason.COUNT,
        actor=actor,
        at=at,
        note=note,
    )


@write_transaction
def reverse_movement(*, movement: Movement, actor: Actor, at: datetime, note: str) -> Movement:
    """Undo a movement by its mirror image.

    Raises Conflict when it was reversed before, NotEnough when its shims have moved on or are held, and
    WrongState when it handed out a hold that is still open (that is handed back), belongs to a transfer
    (that is undone as a whole), or took shims from a bin that is out of use.
    """
    actor.must(Action.REVERSE, movement.site)
    must_say("/note", note, "Say why the movement is reversed.")
    _refuse_part_of_transfer(movement)
    at_bench = movement.lines.filter(place__kind=PlaceKind.INSPECTION).exists()
    bench = lock_bench(movement.site) if at_bench else None
    freed = lock_holds(site=movement.site, at=at).freed
    lines = [
        Line(
            place=line.place,
            family_id=line.family_id,
            thickness_nm=line.thickness_nm,
            condition=line.condition,
            quantity=-line.quantity,
        )
        for line in movement.lines.select_related("place")
    ]
    _refuse_into_retired(lines)
    # Of two reversals at once the second waits here for the first's balances, and then finds the first.
    lock_balances(lines, freed)
    if earlier := Movement.objects.filter(reverses=movement).first():
        raise Conflict(
            f"This movement was reversed already, by movement {earlier.seq}.",
            code="already-reversed",
            extra={"reversed_by": str(earlier.uid)},
        )
    _refuse_still_held(movement)
    if movement.reason == Reason.RETURN_TO_SUPPLIER:
        unlink_claims(returned=movement)
    reversal = post_movement(
        site=movement.site,
        reason=Reason.REVERSE,
        actor=actor,
        at=at,
        lines=lines,
        job_id=movement.job_id,
        document=movement.document,
        note=note,
        reverses=movement,
        unhold=freed,
        locked=True,
    )
    if bench is not None:
        keep_taken(reversal, bench, give_back(movement))
    return reversal


def _move(
    moves: Sequence[tuple[Place, Place, Shims]],
    *,
    site: Site,
    reason: Reason,
    actor: Actor,
    at: datetime,
    document: str = "",
    note: str = "",
    from_bins: bool = False,
) -> Movement:
    """One movement of several transfers. `from_bins`: overdue holds may promise what it takes."""
    return post_movement(
        site=site,
        reason=reason,
        actor=actor,
        at=at,
        lines=lines_between(moves),
        document=document,
        note=note,
        unhold=lock_holds(site=site, at=at).freed if from_bins else None,
    )


def _refuse_unless_kind(place: Place, kind: PlaceKind, site: Site) -> None:
    if place.site_id != site.id or place.kind != kind or place.retired_at:
        words = f"{place.code} is no {kind.label.lower()} in use at {site.name}"
        raise Invalid(f"{words}.", errors=[FieldError("/source", words)])


def _refuse_still_held(movement: Movement) -> None:
    """A hand-out of a hold that is still open took the promise to the tray; only handing back undoes both."""
    if movement.reason != Reason.HAND_OUT:
        return
    held = HoldLine.objects.filter(
        hold__site=movement.site_id, hold__state="held", hold__handed_out_at=movement.at
    )
    line = held.select_related("hold").first()
    if line is not None:
        raise WrongState(f"These shims are held for {line.hold.reference}: hand them back instead.")


def _refuse_into_retired(lines: Sequence[Line]) -> None:
    retired = sorted({line.place.code for line in lines if line.quantity > 0 and line.place.retired_at})
    if retired:
        codes = " and ".join(retired)
        are, them = ("is", "it") if len(retired) == 1 else ("are", "them")
        raise WrongState(
            f"Nothing was booked: {codes} {are} out of use. Bring {them} back into use first, or move the "
            "shims where they belong instead."
        )


def _refuse_part_of_transfer(movement: Movement) -> None:
    part = TransferMovement.objects.filter(movement=movement).select_related("transfer__source").first()
    if part is not None:
        raise WrongState(
            f"This movement is part of {part.transfer}: on its page, call the transfer back, or take "
            "back what became of it."
        )
