"""The steps of a job as its pages show them, and the one that comes next."""

from dataclasses import dataclass

from jobs.models import Job

S = Job.State


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step. page: the name of its page. standing: "done", "now" or "later". here: it is what is shown."""

    words: str
    page: str
    standing: str
    here: bool


# The button on the board: what a person does next on a job in this state, and on which page.
NEXT_STEP: dict[str, tuple[str, str]] = {
    S.OPEN: ("Key in readings", "readings"),
    S.PLANNED: ("Look at the plan", "plan"),
    S.WAITING: ("See what it waits for", "plan"),
    S.HELD: ("Hand out and fit", "fitting"),
    S.OUT: ("Fit", "fitting"),
    S.FITTED: ("Measure again", "readings"),
    S.SIGNED_OFF: ("Look at it", "job"),
    S.STOPPED: ("Look at it", "job"),
}

# The same once every valve is read.
_ONCE_READ: dict[str, tuple[str, str]] = {S.OPEN: ("Plan", "plan"), S.FITTED: ("Sign off", "sign_off")}

_STEPS = (
    ("Readings", "readings"),
    ("Shims", "shims"),
    ("Plan", "plan"),
    ("Fit", "fitting"),
    ("Measure again", "readings"),
    ("Sign off", "sign_off"),
)
_AT = {S.OPEN: 0, S.PLANNED: 2, S.WAITING: 2, S.HELD: 3, S.OUT: 3, S.FITTED: 4, S.SIGNED_OFF: 6}


def steps_of(job: Job, shown: str) -> list[Step]:
    """The six steps, with the page that is shown; [] for a job that was stopped.

    Readings before and after a fit are one page: which step it is follows from the fits done.
    """
    if job.state == S.STOPPED:
        return []
    at = _AT[job.state]
    return [
        Step(
            words=words,
            page=page,
            standing="done" if index < at else "now" if index == at else "later",
            here=page == shown and not (page == "readings" and (index == 0) == bool(job.round)),
        )
        for index, (words, page) in enumerate(_STEPS)
    ]


def next_step(job: Job, *, all_read: bool) -> tuple[str, str]:
    """The words of the big button and the page that it leads to."""
    if all_read and job.state in _ONCE_READ:
        return _ONCE_READ[job.state]
    return NEXT_STEP[job.state]
