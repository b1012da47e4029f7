"""Bins merged into one and split into two: the shims move, the promises on them move along, history stays."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from datetime import datetime

from django.db.models import Sum

from inventory.compute.lengths import show
from inventory.compute.sizes import nearest_size
from inventory.models import (
    Balance,
    Hold,
    HoldLine,
    Movement,
    Place,
    PlaceEvent,
    Reason,
    ShimFamily,
)
from inventory.services.bins import (
    lock_bins,
    lock_cabinets,
    new_bin,
    record_event,
    refuse_stale,
    refuse_while_counted,
    retire_locked,
    use_in_words,
)
from inventory.services.hold_state import key_of, lock_holds
from inventory.services.ledger import MOST_LINES, ShimKey, give_free, post_movement, transfer
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import Conflict, FieldError, Invalid, WrongState
from shop.roles import Action


@write_transaction
def merge_bins(
    *,
    source: Place,
    target: Place,
    actor: Actor,
    at: datetime,
    note: str = "",
    widen: bool = False,
    version: int | None = None,
) -> Place:
    """Bring everything in one bin into another and retire the emptied one; returns the other.

    Holds follow their shims. `widen`: the other bin is from now on kept for whatever came together in it.
    `version`: the emptied bin as the caller saw it. Raises WrongState while either is being counted, Conflict
    where the other bin is kept for other shims (and is not to be widened) or has too little room.
    """
    actor.must(Action.EDIT_BINS, source.site)
    if source.pk == target.pk:
        words = "name another bin"
        raise Invalid("A bin cannot be merged into itself.", errors=[FieldError("/target", words)])
    if source.site_id != target.site_id:
        words = f"{target.code} is no bin of {source.site.name}"
        raise Invalid(f"{words}.", errors=[FieldError("/target", words)])
    holds, freed = _lock_holds_in(source, at)
    source, target = lock_bins(source, target)
    refuse_stale(source, version)
    for place in (source, target):
        refuse_while_counted(place)
    lots = list(Balance.objects.filter(place=source, on_hand__gt=0).select_related("family"))
    if widen:
        _widen(lots, target, actor=actor, at=at)
    _refuse_misfit(lots, target)
    movement, carried = None, []
    if lots:
        movement, carried = _move_whole(lots, holds, freed, source, target, actor=actor, at=at, note=note)
    else:
        # Overdue holds have ended on the way here, whether or not there is anything to move.
        for key, quantity in sorted(freed.items()):
            give_free(key, quantity)
    _point_back(source, target, holds)
    words = f"{source.code} merged into {target.code}{_with_promises(carried)}"
    words = f"{words}: {note}" if note.strip() else words
    record_event(target, PlaceEvent.Act.MERGE, words, actor=actor, at=at, other=source, movement=movement)
    record_event(source, PlaceEvent.Act.MERGE, words, actor=actor, at=at, other=target, movement=movement)
    retire_locked(source, actor=actor, at=at, note=words, other=target)
    return target


@write_transaction
def split_bin(
    *,
    source: Place,
    actor: Actor,
    at: datetime,
    code: str,
    cabinet: str,
    row: int,
    column: int,
    family: ShimFamily,
    size_nm: int,
    capacity: int | None = None,
    note: str = "",
    version: int | None = None,
) -> Place:
    """Make a new bin for one size of a family, and move to it every shim of that grade from a bin that held
    several; returns the new one. Holds follow their shims."""
    actor.must(Action.EDIT_BINS, source.site)
    lock_cabinets(source.site)
    holds, freed = _lock_holds_in(source, at)
    (source,) = lock_bins(source)
    refuse_stale(source, version)
    refuse_while_counted(source)
    target = new_bin(
        site=source.site,
        code=code,
        cabinet=cabinet,
        row=row,
        column=column,
        family=family,
        size_nm=size_nm,
        capacity=capacity,
    )
    lots = [
        lot
        for lot in Balance.objects.filter(place=source, family=family, on_hand__gt=0).select_related("family")
        if nearest_size(family.range, lot.thickness_nm) == size_nm
    ]
    if not lots:
        raise WrongState(f"{source.code} holds no {family.name} of {show(size_nm)} mm to split off.")
    _refuse_misfit(lots, target)
    movement, carried = _move_whole(lots, holds, freed, source, target, actor=actor, at=at, note=note)
    split = f"{show(size_nm)} mm split off from {source.code} into {target.code}"
    words = f"{split}{_with_promises(carried)}"
    words = f"{words}: {note}" if note.strip() else words
    record_event(target, PlaceEvent.Act.SPLIT, words, actor=actor, at=at, other=source, movement=movement)
    record_event(source, PlaceEvent.Act.SPLIT, words, actor=actor, at=at, other=target, movement=movement)
    return target


def _lock_holds_in(source: Place, at: datetime) -> tuple[list[Hold], dict[ShimKey, int]]:
    """The open holds on shims in a bin, locked, and what overdue ones of the site give free."""
    locked = lock_holds(site=source.site, at=at, place=source)
    return locked.held, locked.freed


def _move_whole(
    lots: Sequence[Balance],
    holds: Collection[Hold],
    freed: dict[ShimKey, int],
    source: Place,
    target: Place,
    *,
    actor: Actor,
    at: datetime,
    note: str,
) -> tuple[Movement, list[HoldLine]]:
    """Move whole lots with the promises on them; the hold lines, which come back, then name the new bin."""
    if len(lots) > MOST_LINES // 2:
        raise WrongState(
            f"{source.code} holds {len(lots)} lots, and {MOST_LINES // 2} move at a time: move some first."
        )
    moving = {ShimKey(lot.family_id, source.pk, lot.thickness_nm, lot.condition) for lot in lots}
    carried = [
        line
        for line in HoldLine.objects.filter(hold__in=holds, place=source).select_related("hold")
        if key_of(line, source.pk) in moving
    ]
    unhold, promises = defaultdict(int, freed), defaultdict(int)
    for line in carried:
        unhold[key_of(line, source.pk)] += line.quantity
        promises[key_of(line, target.pk)] += line.quantity
    _refuse_fresh_promises(moving, unhold)
    movement = post_movement(
        site=source.site,
        reason=Reason.MOVE,
        actor=actor,
        at=at,
        lines=[
            line
            for lot in lots
            for line in transfer(
                source=source,
                target=target,
                family_id=lot.family_id,
                thickness_nm=lot.thickness_nm,
                condition=lot.condition,
                quantity=lot.on_hand,
            )
        ],
        note=note,
        unhold=unhold,
        hold=promises,
    )
    for line in carried:
        line.place = line.taken_from = target
    HoldLine.objects.bulk_update(carried, ["place", "taken_from"])
    return movement, carried


def _with_promises(carried: Sequence[HoldLine]) -> str:
    """What went along, for the history of the bin that it left: its holds name the other bin from now on."""
    held: dict[str, int] = defaultdict(int)
    for line in carried:
        held[line.hold.reference] += line.quantity
    if not held:
        return ""
    return f", {' and '.join(f'{quantity} held for {reference}' for reference, quantity in held.items())}"


def _refuse_fresh_promises(moving: Collection[ShimKey], unhold: dict[ShimKey, int]) -> None:
    """Somebody may have held shims after the holds were looked up: their promise would be left behind."""
    held = (
        Balance.objects.filter(place_id__in={key.place_id for key in moving}, held__gt=0)
        .values_list("family_id", "place_id", "thickness_nm", "condition")
        .annotate(promised=Sum("held"))
    )
    for *key, promised in held:
        if ShimKey(*key) in moving and promised > unhold.get(ShimKey(*key), 0):
            raise Conflict("Shims in this bin were held a moment ago: do it again.")


def _point_back(source: Place, target: Place, holds: Collection[Hold]) -> None:
    """Shims of the emptied bin that are out in trays come back to the bin that it was merged into."""
    out = HoldLine.objects.filter(taken_from=source, hold__state=Hold.State.HELD).exclude(hold__in=holds)
    # Their holds' rows are not locked: only where they come back to changes, and nobody else writes that.
    out.update(taken_from=target)


def _widen(lots: Sequence[Balance], target: Place, *, actor: Actor, at: datetime) -> None:
    """Let a bin take what is coming: any size of its family, or any family."""
    was = use_in_words(target)
    if any(_is_of_another_size(lot, target) for lot in lots):
        target.size_nm = None
    if any(lot.family_id != target.family_id for lot in lots):
        target.family = target.size_nm = None
    if use_in_words(target) == was:
        return
    target.version += 1
    target.save(update_fields=["family", "size_nm", "version"])
    words = f"Was {was}; now {use_in_words(target)}"
    record_event(target, PlaceEvent.Act.EDIT, words, actor=actor, at=at)


def _is_of_another_size(lot: Balance, place: Place) -> bool:
    if place.size_nm is None:
        return False
    return nearest_size(lot.family.range, lot.thickness_nm) != place.size_nm


def _refuse_misfit(lots: Sequence[Balance], target: Place) -> None:
    for lot in lots:
        if target.family_id is not None and lot.family_id != target.family_id:
            raise Conflict(f"{target.code} is kept for {target.family}; {lot.family} does not belong there.")
        if _is_of_another_size(lot, target):
            raise Conflict(
                f"{target.code} is kept for {show(target.size_nm or 0)} mm; {show(lot.thickness_nm)} mm "
                "does not belong there."
            )
    if target.capacity is None:
        return
    present = Balance.objects.filter(place=target).aggregate(total=Sum("on_hand"))["total"] or 0
    coming = sum(lot.on_hand for lot in lots)
    if present + coming > target.capacity:
        raise Conflict(
            f"{target.code} takes {target.capacity} shims; with these it would hold {present + coming}."
        )
