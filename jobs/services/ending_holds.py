"""End a hold that a job may count on: whoever looks at the job afterwards sees that it lost its shims."""

import uuid
from collections.abc import Collection
from datetime import datetime, timedelta

from inventory.models import Hold, HoldTakeOver
from inventory.services import holds, take_over
from jobs.services.handing_over import lock_with_partners
from jobs.services.promises import settle_lost_shims
from shop.actor import Actor
from shop.db import write_transaction


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
    """As inventory/services/take_over.py has it; a job whose accepted plan counted on these shims is planned
    from here on, its plan out of date, and says who took them for whom."""
    # Jobs come before needs and holds in the lock law.
    jobs = lock_with_partners({pk for pk in (hold.job_id, job_id) if pk is not None})
    taken = take_over.take_over_hold(
        hold=hold,
        actor=actor,
        at=at,
        reference=reference,
        reason=reason,
        job_id=job_id,
        positions=positions,
        expires_in=expires_in,
    )
    if hold.job_id in jobs:
        settle_lost_shims(jobs[hold.job_id], at)
    return taken


@write_transaction
def release_hold(*, hold: Hold, actor: Actor, at: datetime, note: str = "") -> Hold:
    """As inventory/services/holds.py has it; a job whose accepted plan counted on these shims is planned from
    here on, its plan out of date, and says who gave them free."""
    jobs = lock_with_partners({hold.job_id} if hold.job_id is not None else ())
    released = holds.release_hold(hold=hold, actor=actor, at=at, note=note)
    if hold.job_id in jobs:
        settle_lost_shims(jobs[hold.job_id], at)
    return released
