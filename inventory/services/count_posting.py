"""What becomes of a count: a difference that two persons found is approved, posted or rejected."""

from collections.abc import Mapping, Sequence
from datetime import datetime

from inventory.compute.lengths import show
from inventory.models import (
    BinCount,
    Condition,
    MovementLine,
    Place,
    PlaceKind,
    Reason,
    TalliedLot,
)
from inventory.selectors.holds import lines_on
from inventory.selectors.places import place_of
from inventory.services.counting import lock_count, open_counts
from inventory.services.hold_state import lock_holds
from inventory.services.inspection_fate import keep_taken, lock_bench
from inventory.services.ledger import Line, ShimKey, available, lock_balances, post_movement
from inventory.services.shim_lines import must_say
from inventory.services.texts import check_texts
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import Conflict, FieldError, WrongState
from shop.roles import Action

State = BinCount.State


@write_transaction
def approve_count(*, count: BinCount, actor: Actor, at: datetime, note: str = "") -> BinCount:
    """A manager agrees that a difference above the set value is posted."""
    actor.must(Action.APPROVE_COUNT, count.site)
    check_texts(BinCount, note=note)
    count = lock_count(count)
    if count.state == State.DIFFERS:
        done = "approved already" if count.approved_at else "small enough to need no approval"
        raise WrongState(f"{count} is {done}: post it.")
    _refuse_unless(count, State.TO_APPROVE, "approved")
    count.state = State.DIFFERS
    count.approved_at, count.approved_by = at, actor.label
    count.note = note or count.note
    count.version += 1
    count.save()
    return count


@write_transaction
def post_count(*, count: BinCount, actor: Actor, at: datetime, note: str = "") -> BinCount:
    """Bring the books in line with what two persons counted, as one movement.

    The difference is posted, not the count: what moved since stays as it moved. Raises Conflict with code
    `held-shims`, naming the holds, where shims that are missing are promised: a manager releases or takes
    over a hold first. Raises WrongState where a manager has to approve first, and where the books were
    corrected since, or shims went out that were not there: then the bin is counted anew.
    """
    actor.must(Action.POST_COUNT, count.site)
    check_texts(BinCount, note=note)
    count = lock_count(count)
    if count.state == State.TO_APPROVE:
        raise WrongState(
            f"{count} is above the value that may be posted unseen: a manager approves it first."
        )
    _refuse_unless(count, State.DIFFERS, "posted")
    tally = count.tallies.get(confirmed=True)
    lots = [lot for lot in tally.lots.select_related("family") if lot.difference]
    bench = lock_bench(count.site) if count.place.kind == PlaceKind.INSPECTION else None
    freed = lock_holds(site=count.site, at=at).freed
    lines = _difference_lines(count.place, lots)
    lock_balances(lines, freed)
    _refuse_corrected_since(count, lots, tally.keyed_link or 0)
    _refuse_missing(count, lots, freed)
    movement = post_movement(
        site=count.site,
        reason=Reason.COUNT,
        actor=actor,
        at=at,
        lines=lines,
        document=str(count),
        note=note or count.note,
        unhold=freed,
    )
    if bench is not None:
        keep_taken(movement, bench)
    count.movement = movement
    count.note = note or count.note
    return _close(count, State.POSTED, actor=actor, at=at)


@write_transaction
def reject_count(
    *, count: BinCount, actor: Actor, at: datetime, note: str, count_anew: bool = False
) -> BinCount:
    """Do not post a difference, with a reason in `note`; the books stay as they are, the bin as troubled.

    A difference that a manager has to approve, only a manager rejects. With `count_anew` the bin is asked to
    be counted again at once, blind as ever: by a count of its own.
    """
    actor.must(Action.POST_COUNT, count.site)
    must_say("/note", note, "Say why the difference is not posted.")
    check_texts(BinCount, note=note)
    count = lock_count(count)
    if count.state == State.TO_APPROVE:
        actor.must(Action.APPROVE_COUNT, count.site)
    elif count.state != State.DIFFERS:
        _refuse_unless(count, State.DIFFERS, "rejected")
    count.note = note
    rejected = _close(count, State.REJECTED, actor=actor, at=at)
    if count_anew:
        why = f"{count} was rejected: counted anew"
        open_counts(site=count.site, actor=actor, at=at, places=[count.place], why=why)
    return rejected


@write_transaction
def cancel_count(*, count: BinCount, actor: Actor, at: datetime, note: str = "") -> BinCount:
    """Call off a count that is not finished."""
    actor.must(Action.POST_COUNT, count.site)
    check_texts(BinCount, note=note)
    count = lock_count(count)
    if count.state in (State.DIFFERS, State.TO_APPROVE):
        raise WrongState(f"{count} is finished and differs: post or reject it.")
    if not count.is_open:
        raise WrongState(f"{count} is over: {count.get_state_display().lower()}.")
    count.note = note or count.note
    return _close(count, State.CANCELLED, actor=actor, at=at)


def _close(count: BinCount, state: str, *, actor: Actor, at: datetime) -> BinCount:
    count.state = state
    count.closed_at, count.closed_by = at, actor.label
    count.version += 1
    count.save()
    return count


def _refuse_unless(count: BinCount, state: str, word: str) -> None:
    if count.state != state:
        raise WrongState(
            f"{count} of {count.place.code} cannot be {word} while it stands at: {count.get_state_display()}."
        )


def _difference_lines(place: Place, lots: Sequence[TalliedLot]) -> list[Line]:
    outside = place_of(place.site, PlaceKind.DIFFERENCE)
    return [
        Line(
            place=where,
            family_id=lot.family_id,
            thickness_nm=lot.thickness_nm,
            condition=lot.condition,
            quantity=sign * (lot.difference or 0),
            pointer=f"/lots/{index}",
        )
        for index, lot in enumerate(lots)
        for where, sign in ((place, 1), (outside, -1))
    ]


def _refuse_corrected_since(count: BinCount, lots: Sequence[TalliedLot], link: int) -> None:
    """Somebody may have put the books right by hand since: then the difference is not there any more."""
    later = MovementLine.objects.filter(
        place=count.place,
        movement__seal__site=count.site_id,
        movement__seal__position__gt=link,
        movement__reason__in=(Reason.COUNT, Reason.REVERSE, Reason.REGRADE),
    ).select_related("movement")
    wanted = {(lot.family_id, lot.thickness_nm, lot.condition) for lot in lots}
    for line in later:
        if (line.family_id, line.thickness_nm, line.condition) in wanted:
            raise WrongState(
                f"{line.movement} corrected {show(line.thickness_nm)} mm in {count.place.code} since it was "
                "counted: reject this count and count the bin anew."
            )


def _refuse_missing(count: BinCount, lots: Sequence[TalliedLot], freed: Mapping[ShimKey, int]) -> None:
    """Say in whose way the difference is, where shims that are missing are promised or went out since."""
    errors: list[FieldError] = []
    in_the_way: dict[str, str] = {}
    gone = False
    for index, lot in enumerate(lots):
        missing = -(lot.difference or 0)
        key = ShimKey(lot.family_id, count.place_id, lot.thickness_nm, lot.condition)
        free = available(key) + freed.get(key, 0)
        if missing <= free:
            continue
        promises = lines_on(key)
        in_the_way |= {str(each.hold_id): each.hold.reference for each in promises}
        gone = gone or free + sum(each.quantity for each in promises) < missing
        what = f"{show(lot.thickness_nm)} mm {Condition(lot.condition).label.lower()}"
        names = ", ".join(dict.fromkeys(each.hold.reference for each in promises))
        words = f"{missing} × {what} are missing, {free} are not held"
        errors.append(FieldError(f"/lots/{index}", f"{words}; held for {names}" if names else words))
    if not errors:
        return
    details = "; ".join(error.detail for error in errors)
    if gone:
        raise WrongState(
            f"Shims went out of {count.place.code} that by this count were not there: {details}. "
            "Reject this count and count the bin anew.",
            errors=errors,
        )
    raise Conflict(
        f"{count.place.code}: {details}. Release or take over a hold first.",
        code="held-shims",
        errors=errors,
        extra={"holds": sorted(in_the_way)},
    )
