"""Hand a job's shims out: from their bins into its tray."""

from collections.abc import Sequence
from datetime import datetime

from inventory.models import Hold
from inventory.services.holds import hand_out_hold
from inventory.services.ledger import Line, transfer
from jobs.models import Job
from jobs.services.events import counted
from jobs.services.promises import accepted_plan, lock_plans_shims, lock_stock
from jobs.services.states import Act
from jobs.services.steps import begin, finish
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import WrongState


@write_transaction
def hand_out_job(*, job: Job, actor: Actor, at: datetime, version: int | None = None) -> Job:
    """Move every shim that is held for the job's plan to its tray; from then on the holds do not expire.

    Raises WrongState for a plan that only moves shims within the engine: it has nothing to hand out.
    """
    job = begin(job, Act.HAND_OUT, actor=actor, at=at, version=version)
    plan = accepted_plan(job)
    if plan is None:
        raise WrongState(f"{job} has no plan whose shims are held. Plan, then hold.")
    locked, _ = lock_plans_shims(job, plan, actor=actor, at=at)
    holds = [hold for hold in locked.held if not hold.handed_out_at]
    if not holds:
        raise WrongState(f"{job}: its plan takes nothing from stock, so there is nothing to hand out. Fit.")
    lock_stock(locked, lines_to_tray(job, holds))
    count = hand_out(job, holds, actor=actor, at=at)
    job.state = Job.State.OUT
    text = f"{counted(count, 'shim')} handed out to tray {job.tray}."
    return finish(job, Act.HAND_OUT, actor=actor, at=at, text=text)


def hand_out(job: Job, holds: Sequence[Hold], *, actor: Actor, at: datetime) -> int:
    """Move the shims of these holds to the job's tray, their balances being locked; returns how many."""
    for hold in holds:
        hand_out_hold(hold=hold, tray=job.tray, actor=actor, at=at, document=str(job))
    return sum(line.quantity for hold in holds for line in hold.lines.all())


def lines_to_tray(job: Job, holds: Sequence[Hold]) -> list[Line]:
    """The balances that handing these holds out touches."""
    return [
        touched
        for hold in holds
        for line in hold.lines.all()
        for touched in transfer(
            source=line.place,
            target=job.tray,
            family_id=line.family_id,
            thickness_nm=line.thickness_nm,
            condition=line.condition,
            quantity=line.quantity,
        )
    ]
