"""Sign a job off: everything measured, the tray cleared, bay and tray free."""

import uuid
from collections.abc import Mapping
from datetime import datetime

from inventory.services.fitting import recover_shims
from inventory.services.texts import text_errors
from jobs.compute.exchange import LookBack
from jobs.models import ClearanceReading, Job, JobValve
from jobs.selectors.jobs import job_sheet
from jobs.selectors.look_back import look_back_on
from jobs.selectors.readings import current_readings, in_spec, opens_nothing
from jobs.services import news
from jobs.services.events import note_event
from jobs.services.handing_over import refuse_while_promised
from jobs.services.promises import end_promises, put_aside_proposed
from jobs.services.refusals import pointer, refuse
from jobs.services.states import Act
from jobs.services.steps import begin, finish
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import Conflict, FieldError, WrongState

Readings = Mapping[uuid.UUID, ClearanceReading]


@write_transaction
def sign_off_job(
    *, job: Job, actor: Actor, at: datetime, reason: str = "", version: int | None = None
) -> Job:
    """Close a job whose valves are right; what came out of the engine goes to the inspection place.

    A job that was fitted needs a reading after of every valve that was opened. Any valve that is out of spec
    or was not read, and any that did not come out as predicted, needs a `reason` by name of the one who
    signs. A job on which nothing was fitted is a check: it is signed off when there is nothing to change.
    Raises Conflict with codes `readings-missing`, `out-of-spec` and `unexplained-difference`, naming the
    valves, and WrongState.
    """
    job = begin(job, Act.SIGN_OFF, actor=actor, at=at, version=version)
    reason = reason.strip()
    refuse(text_errors(Job, "sign_off_reason", reason, "/reason"), "The job was not signed off")
    valves = list(job.valves.order_by("order"))
    readings = current_readings(valves)
    if not job.round:
        _refuse_work_to_do(job, valves, readings)
    _refuse_unread_after(valves, readings)
    told = look_back_on(job_sheet(job))
    _refuse_out_of_spec(valves, readings, told, reason)
    _refuse_differences(told, reason)
    refuse_while_promised(job)
    # A hold that somebody made for the job beside its plan would keep shims in a tray that is to be empty.
    freed = end_promises(job, plan=None, actor=actor, at=at, note="The job was signed off.")
    clear_tray(job, actor, at)
    put_aside_proposed(job, "The job was signed off.")
    job.state = Job.State.SIGNED_OFF
    job.closed_at, job.closed_by, job.sign_off_reason = at, actor.label, reason
    news.job_signed_off(job, at)
    over = f" over a difference at {', '.join(told.to_answer_for)}" if told.to_answer_for else ""
    text = " ".join(part for part in (f"Signed off{over}.", reason) if part)
    if freed:
        note_event(job, "holds_ended", by=actor.label, at=at, text=freed)
    changed = ["closed_at", "closed_by", "sign_off_reason"]
    return finish(job, Act.SIGN_OFF, actor=actor, at=at, text=text, changed=changed)


def clear_tray(job: Job, actor: Actor, at: datetime) -> None:
    """Bring what is in the job's tray to inspection, and new shims that were not used to receiving."""
    recover_shims(site=job.site, actor=actor, at=at, tray=job.tray, job_id=job.pk, document=str(job))


def _refuse_work_to_do(job: Job, valves: list[JobValve], readings: Readings) -> None:
    to_do = [valve.label for valve in valves if not opens_nothing(valve, readings.get(valve.pk))]
    if to_do:
        raise WrongState(
            f"{job} cannot be signed off as a check: {', '.join(to_do)} "
            f"{'is' if len(to_do) == 1 else 'are'} not read, out of spec or marked always. "
            "Plan and fit, or stop the job.",
            extra={"state": str(job.state), "act": str(Act.SIGN_OFF)},
        )


def _refuse_unread_after(valves: list[JobValve], readings: Readings) -> None:
    unread = [valve.label for valve in valves if valve.fit_round and valve.pk not in readings]
    if unread:
        raise Conflict(
            f"Not measured again since the fit: {', '.join(unread)}. Turn the engine two full turns by hand, "
            "measure these valves and key them in.",
            code="readings-missing",
            errors=[FieldError(pointer("readings", label), "not read since the fit") for label in unread],
        )


def _refuse_out_of_spec(valves: list[JobValve], readings: Readings, told: LookBack, reason: str) -> None:
    if reason:
        return
    out = [
        (valve.label, "out of spec" if valve.pk in readings else "not read")
        for valve in valves
        if not in_spec(valve, readings.get(valve.pk))
    ]
    if out:
        named = ", ".join(f"{label} ({what})" for label, what in out)
        raise Conflict(
            f"Not every valve is in spec: {named}. {_said(told)}Plan again, or sign off with a reason.",
            code="out-of-spec",
            errors=[FieldError(pointer("readings", label), what) for label, what in out],
        )


def _refuse_differences(told: LookBack, reason: str) -> None:
    """Whoever signs over a clearance that is not what was to come out says why it is right all the same."""
    if reason or not told.to_answer_for:
        return
    named = ", ".join(told.to_answer_for)
    raise Conflict(
        f"Not as predicted: {named}. {_said(told)}"
        "Measure again, put right what is wrong, or sign off with a reason.",
        code="unexplained-difference",
        errors=[
            FieldError(pointer("readings", label), "did not come out as predicted")
            for label in told.to_answer_for
        ],
    )


def _said(told: LookBack) -> str:
    return "".join(f"{finding.say} " for finding in told.findings)
