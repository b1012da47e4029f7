"""The steps of a job as its pages show them, and the one that comes next."""

from dataclasses import dataclass

from jobs.models import Job

S = Job.State


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step. page: the name of its page. standing: "done", "now" or "later"."""

    words: str
    page: str
    standing: str


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

_STEPS = (
    ("Readings", "readings"),
    ("Shims", "shims"),
    ("Plan", "plan"),
    ("Fit", "fitting"),
    ("Measure again", "readings"),
    ("Sign off", "sign_off"),
)
_AT = {S.OPEN: 0, S.PLANNED: 2, S.WAITING: 2, S.HELD: 3, S.OUT: 3, S.FITTED: 4, S.SIGNED_OFF: 6}


def steps_of(job: Job) -> list[Step]:
    """The six steps; [] for a job that was stopped. After a fit the first four are done."""
    if job.state == S.STOPPED:
        return []
    at = _AT[job.state]
    return [
        Step(
            words=words,
            page=page,
            standing="done" if index < at else "now" if index == at else "later",
        )
        for index, (words, page) in enumerate(_STEPS)
    ]


def next_step(job: Job) -> tuple[str, str]:
    """The words of the big button and the page that it leads to."""
    return NEXT_STEP[job.state]
