"""What a plan comes to, for the act that refuses it and for the sheet that shows it."""

from collections.abc import Iterable

from jobs.models import Job, Plan, PlanLine
from jobs.services.states import NEXT, NEXT_ONCE_READ

CHANGES = ("swap", "tray", "stock", "order", "buy")


def nothing_to_fit(lines: Iterable[PlanLine]) -> str:
    """Why there is nothing to hold and fit by these lines, and what would be right; "" where there is."""
    lines = list(lines)
    if any(line.action in CHANGES for line in lines):
        return ""
    if measure := [line.label for line in lines if line.action == "measure"]:
        return (
            f"This plan has nothing to fit yet: measure the shims of {', '.join(measure)}, "
            "key them in, then plan again."
        )
    if unresolved := [line.label for line in lines if line.action == "unresolved"]:
        return (
            f"This plan has nothing to fit: no shim is made that would do for {', '.join(unresolved)}. "
            "Have the engine looked at by someone qualified."
        )
    return "This plan opens nothing: every valve may stay as it is. Sign the job off."


def next_step(job: Job, plan: Plan | None, lines: Iterable[PlanLine], *, all_read: bool) -> str:
    """What comes next for the job, in a sentence. all_read: every valve that may be opened was read since the
    last fit."""
    if job.state == Job.State.PLANNED and plan is not None:
        if plan.state == Plan.State.STALE:
            return f"The plan is out of date. {plan.stale_because} Plan again."
        return nothing_to_fit(lines) or NEXT[job.state]
    return (NEXT_ONCE_READ if all_read else NEXT).get(job.state, NEXT[job.state])
