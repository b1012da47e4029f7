"""A hold under an outside reference, reported as fitted by the program that made it."""

from collections import defaultdict
from collections.abc import Mapping
from datetime import datetime

from inventory.models import Hold, HoldLine, PlaceKind, Reason
from inventory.selectors.places import place_of
from inventory.services.hold_state import key_of, lock_hold, resolve
from inventory.services.ledger import post_movement, transfer
from inventory.services.texts import in_words
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import FieldError, Unprocessable, WrongState
from shop.roles import Action


@write_transaction
def fit_hold(*, hold: Hold, actor: Actor, at: datetime, fitted: Mapping[int, int] | None = None) -> Hold:
    """Book a hold's shims as fitted: line position -> how many; None for all of them.

    What was held and not fitted is available again in the same transaction (L8). Raises Unprocessable when
    more is reported than was held or nothing at all, HoldExpired, and WrongState for a hold that is over or
    belongs to a job, which is fitted as a job.
    """
    actor.must(Action.HOLD, hold.site)
    hold = lock_hold(hold, at)
    if hold.job_id is not None:
        raise WrongState(f"These shims are held for {hold.reference}, a job of this shop: fit the job.")
    engine = place_of(hold.site, PlaceKind.ENGINE)
    lines = list(hold.lines.select_related("place"))
    counts = {line.position: line.quantity for line in lines} if fitted is None else dict(fitted)
    _refuse_bad_counts(counts, lines)
    moves, unhold = [], defaultdict(int)
    for line in lines:
        unhold[key_of(line, line.place_id)] += line.quantity
        line.fitted = counts.get(line.position, 0)
        if line.fitted:
            moves += transfer(
                source=line.place,
                target=engine,
                family_id=line.family_id,
                thickness_nm=line.thickness_nm,
                condition=line.condition,
                quantity=line.fitted,
                pointer=f"/lines/{line.position}",
            )
    post_movement(
        site=hold.site,
        reason=Reason.FIT,
        actor=actor,
        at=at,
        lines=moves,
        job_id=hold.job_id,
        document=hold.reference,
        unhold=unhold,
    )
    HoldLine.objects.bulk_update(lines, ["fitted"])
    return resolve(hold, Hold.State.FITTED, by=actor.label, at=at)


def _refuse_bad_counts(counts: Mapping[int, int], lines: list[HoldLine]) -> None:
    held = {line.position: line.quantity for line in lines}
    errors = [
        FieldError(f"/lines/{position}", _wrong_count(count, held.get(position)))
        for position, count in counts.items()
        if not 0 <= count <= held.get(position, -1)
    ]
    if errors:
        raise Unprocessable(in_words("Nothing was booked", errors), errors=errors)
    if not any(counts.values()):
        raise Unprocessable("Nothing was fitted: release the hold instead.")


def _wrong_count(count: int, held: int | None) -> str:
    if held is None:
        return "the hold has no such line"
    return f"{count} fitted, {held} held" if count > 0 else f"{count} fitted; must be 0 to {held}"
