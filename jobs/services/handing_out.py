"""Hand a job's shims out: from their bins into its tray."""

from datetime import datetime

from inventory.models import Hold
from inventory.services.holds import hand_out_hold
from inventory.services.ledger import lock_balances, transfer
from jobs.models import Job
from jobs.services.events import counted
from jobs.services.promises import live_holds
from jobs.services.states import Act
from jobs.services.steps import begin, finish
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import WrongState


@write_transaction
def hand_out_job(*, job: Job, actor: Actor, at: datetime, version: int | None = None) -> Job:
    """Move every shim that is held for the job to its tray; from then on the holds do not expire.

    Raises WrongState for a plan that only moves shims within the engine: it has nothing to hand out.
    """
    job = begin(job, Act.HAND_OUT, actor=actor, at=at, version=version)
    holds = [hold for hold in live_holds(job, at) if not hold.handed_out_at]
    if not holds:
        raise WrongState(f"{job}: its plan takes nothing from stock, so there is nothing to hand out. Fit.")
    count = hand_out(job, holds, actor=actor, at=at)
    job.state = Job.State.OUT
    text = f"{counted(count, 'shim')} handed out to tray {job.tray}."
    return finish(job, Act.HAND_OUT, actor=actor, at=at, text=text)


def hand_out(job: Job, holds: list[Hold], *, actor: Actor, at: datetime) -> int:
    """Move the shims of these holds to the job's tray; returns how many."""
    lines = [line for hold in holds for line in hold.lines.all()]
    lock_balances(
        touched
        for line in lines
        for touched in transfer(
            source=line.place,
            target=job.tray,
            family_id=line.family_id,
            thickness_nm=line.thickness_nm,
            condition=line.condition,
            quantity=line.quantity,
        )
    )
    for hold in holds:
        hand_out_hold(hold=hold, tray=job.tray, actor=actor, at=at, document=str(job))
    return sum(line.quantity for line in lines)
