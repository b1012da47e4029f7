"""Stop a job: its shims go back, bay and tray are free, the engine is as it was left."""

from datetime import datetime

from inventory.services.texts import text_errors
from jobs.models import Job, Plan
from jobs.services.events import note_event
from jobs.services.promises import end_promises
from jobs.services.refusals import refuse
from jobs.services.sign_off import clear_tray
from jobs.services.states import Act
from jobs.services.steps import begin, finish
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import FieldError


@write_transaction
def stop_job(*, job: Job, actor: Actor, at: datetime, note: str, version: int | None = None) -> Job:
    """End an open job that will not be signed off; `note` says why.

    Shims that were handed out go back to their bins, held ones are free, nothing is to buy for it any more,
    and what an earlier fit took out of the engine goes to the inspection place.
    """
    job = begin(job, Act.STOP, actor=actor, at=at, version=version)
    note = note.strip()
    errors = text_errors(Job, "note", note, "/note")
    if not note:
        errors.append(FieldError("/note", "say why the job is stopped"))
    refuse(errors, "The job was not stopped")
    freed = end_promises(job, plan=None, actor=actor, at=at, note=f"{job} was stopped.", stopping=True)
    if freed:
        note_event(job, "holds_ended", by=actor.label, at=at, text=freed)
    clear_tray(job, actor, at)
    job.plans.filter(state__in=[Plan.State.PROPOSED, Plan.State.ACCEPTED]).update(
        state=Plan.State.STALE, stale_because="The job was stopped."
    )
    job.state = Job.State.STOPPED
    job.closed_at, job.closed_by = at, actor.label
    changed = ["closed_at", "closed_by"]
    return finish(job, Act.STOP, actor=actor, at=at, text=f"Stopped: {note}", changed=changed)
