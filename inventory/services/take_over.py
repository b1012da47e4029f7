"""A manager takes shims that are held for one job for another, with a reason."""

import uuid
from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from inventory.models import Condition, Hold, HoldLine, HoldTakeOver, Need
from inventory.services.hold_state import lock_hold, resolve
from inventory.services.holds import MOST_OPEN_HOLDS_PER_JOB, Wanted, expiry_at, record_hold
from inventory.services.purchasing import STOCK_ARRIVED
from inventory.services.shim_lines import must_say
from inventory.services.texts import check_texts
from shop.actor import Actor
from shop.background.queue import queue_task
from shop.db import write_transaction
from shop.errors import FieldError, Invalid, WrongState
from shop.roles import Action


@write_transaction
def take_over_hold(
    *,
    hold: Hold,
    actor: Actor,
    at: datetime,
    reference: str,
    reason: str,
    job_id: uuid.UUID | None = None,
    positions: Collection[int] | None = None,
    expires_in: timedelta | None = None,
) -> HoldTakeOver:
    """End a hold and hold its shims for somebody else; they are promised to somebody all the while.

    positions: the lines that are wanted, None for all; the others go on being held as they were, under a
    new hold. Where the job that takes over was to buy shims of these sizes, it has them now: its needs are
    met and it is woken. The job that lost them notices when somebody acts on it, or at the next sweep.
    Raises HoldExpired or WrongState for a hold that is over, WrongState for one that is handed out: its
    shims lie in the job's tray, and are handed back first.
    """
    actor.must(Action.TAKE_OVER_HOLD, hold.site)
    must_say("/reason", reason, "Say why the hold is taken over.")
    must_say("/reference", reference, "Say what the shims are held for from now on.")
    check_texts(HoldTakeOver, reason=reason)
    check_texts(Hold, reference=reference)
    expiry_at(at, expires_in)
    needs = _needs_of(job_id)
    hold = lock_hold(hold, at)
    if hold.handed_out_at:
        raise WrongState(f"The shims of {hold.reference} are handed out: have them handed back first.")
    _refuse_same(hold, reference, job_id)
    taken, rest = _divide(hold, positions)
    wanted, met = _for_needs([_wanted(line, label="") for line in taken], needs)
    words = f"Taken over for {reference} by {actor.label}: {reason}"
    most = Hold._meta.get_field("note").max_length or 0
    resolve(hold, Hold.State.RELEASED, by=actor.label, at=at, note=words[:most])
    Need.objects.filter(pk__in=[need.pk for need in met]).update(state=Need.State.MET, line=None)
    new = record_hold(
        site=hold.site,
        actor=actor,
        at=at,
        lines=wanted,
        reference=reference,
        job_id=job_id,
        expires_at=expiry_at(at, expires_in, job_id),
        note=f"Taken over from {hold.reference}"[:most],
    )
    left = _hold_rest(hold, rest, actor, at)
    if met:
        queue_task(STOCK_ARRIVED, {"job": str(job_id)}, site=hold.site, at=at)
    return HoldTakeOver.objects.create(hold=hold, taken=new, rest=left, reason=reason, at=at, by=actor.label)


def _hold_rest(hold: Hold, rest: Sequence[HoldLine], actor: Actor, at: datetime) -> Hold | None:
    """What was not taken, held as before: for the same, by the same person, to the same hour."""
    if not rest:
        return None
    left = record_hold(
        site=hold.site,
        actor=actor,
        at=at,
        lines=[_wanted(line, label=line.label) for line in rest],
        reference=hold.reference,
        job_id=hold.job_id,
        expires_at=hold.expires_at,
        note="What was left when the others were taken over",
    )
    left.created_by = hold.created_by
    left.save(update_fields=["created_by"])
    return left


def _needs_of(job_id: uuid.UUID | None) -> list[Need]:
    """What the job was to buy, locked before the hold: needs come first in the lock law."""
    if job_id is None:
        return []
    waiting = Need.objects.filter(job_id=job_id, state__in=[Need.State.OPEN, Need.State.BOUGHT])
    return list(waiting.select_for_update().order_by("pk"))


def _refuse_same(hold: Hold, reference: str, job_id: uuid.UUID | None) -> None:
    same_job = job_id is not None and job_id == hold.job_id
    if same_job or (job_id == hold.job_id and reference == hold.reference):
        words = f"{hold.reference} holds these shims already"
        raise Invalid(f"{words}.", errors=[FieldError("/reference", words)])
    open_holds = Hold.objects.filter(job_id=job_id, state=Hold.State.HELD)
    if job_id is not None and open_holds.count() >= MOST_OPEN_HOLDS_PER_JOB:
        raise Invalid(f"A job may have {MOST_OPEN_HOLDS_PER_JOB} open holds; release some first.")


def _divide(hold: Hold, positions: Collection[int] | None) -> tuple[list[HoldLine], list[HoldLine]]:
    lines = list(hold.lines.select_related("place"))
    if positions is None:
        return lines, []
    known = {line.position for line in lines}
    if not positions or set(positions) - known:
        words = f"must be positions of lines of this hold: 0 to {max(known)}"
        raise Invalid(f"The lines to take over {words}.", errors=[FieldError("/positions", words)])
    return (
        [line for line in lines if line.position in positions],
        [line for line in lines if line.position not in positions],
    )


def _wanted(line: HoldLine, *, label: str) -> Wanted:
    return Wanted(
        place=line.place,
        family_id=line.family_id,
        thickness_nm=line.thickness_nm,
        condition=line.condition,
        quantity=line.quantity,
        label=label,
    )


@dataclass(slots=True)
class _Waiting:
    """The needs of the job by family and size, most urgent first."""

    needs: dict[tuple[uuid.UUID, int], list[Need]]

    def next(self, line: Wanted) -> Need | None:
        # A need is for a new shim: a used one has another uncertainty than the plan reckoned with.
        waiting = self.needs[line.family_id, line.thickness_nm]
        return waiting.pop(0) if waiting and line.condition == Condition.NEW else None


def _for_needs(lines: Sequence[Wanted], needs: Sequence[Need]) -> tuple[list[Wanted], list[Need]]:
    """The lines, those that meet a need one by one under its valve's label; and the needs that are met."""
    waiting = _Waiting(defaultdict(list))
    for need in sorted(needs, key=lambda need: (need.needed_by is None, need.needed_by, need.created_at)):
        waiting.needs[need.family_id, need.thickness_nm].append(need)
    wanted, met = [], []
    for line in lines:
        left = line.quantity
        while left and (need := waiting.next(line)):
            wanted.append(replace(line, quantity=1, label=need.valve_label))
            met.append(need)
            left -= 1
        if left:
            wanted.append(replace(line, quantity=left))
    return wanted, met
