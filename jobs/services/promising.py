"""When a job is promised for, and how much it matters: what a plan for the whole shop weighs it by."""

from datetime import datetime

from jobs.models import Job
from jobs.services.refusals import bad_priority, refuse
from jobs.services.states import Act
from jobs.services.steps import begin, finish
from shop.actor import Actor
from shop.db import write_transaction


@write_transaction
def set_promise(
    *,
    job: Job,
    actor: Actor,
    at: datetime,
    priority: int = 0,
    promised_at: datetime | None = None,
    version: int | None = None,
) -> Job:
    """The open job has this priority, 0 to 9, and is promised for this time from now on; None for none."""
    job = begin(job, Act.SET_PROMISE, actor=actor, at=at, version=version)
    refuse(bad_priority(priority), "The promise was not changed")
    job.priority, job.promised_at = priority, promised_at
    when = f"promised for {promised_at:%Y-%m-%d %H:%M} UTC" if promised_at else "not promised for any time"
    text = f"Priority {priority}, {when}."
    changed = ["priority", "promised_at"]
    return finish(job, Act.SET_PROMISE, actor=actor, at=at, text=text, changed=changed)
