"""The job's state machine: which act is possible in which state, and what comes next.

One table for the services, for the pages' buttons and for the test of the full matrix.
"""

from enum import StrEnum

from jobs.models import Job
from shop.errors import WrongState
from shop.roles import Action

S = Job.State


class Act(StrEnum):
    """One act on a job: the name of its service, of its endpoint and button, and of its event."""

    OPEN = "open_job"
    KEY_CLEARANCES = "key_clearances"
    KEY_SHIMS = "key_shims"
    SET_ADJUST = "set_adjust"
    PLAN = "plan_job"
    ACCEPT = "accept_plan"
    RELEASE = "release_plan"
    HAND_OUT = "hand_out_job"
    FIT = "fit_job"
    SIGN_OFF = "sign_off_job"
    TAKE_IN = "take_into_bay"
    SET_PROMISE = "set_promise"
    STOP = "stop_job"


WORDS: dict[Act, str] = {
    Act.OPEN: "open a job",
    Act.KEY_CLEARANCES: "key in clearances",
    Act.KEY_SHIMS: "key in shims",
    Act.SET_ADJUST: "say which valves to adjust",
    Act.PLAN: "plan",
    Act.ACCEPT: "hold the plan's shims",
    Act.RELEASE: "release the plan",
    Act.HAND_OUT: "hand out the shims",
    Act.FIT: "fit",
    Act.SIGN_OFF: "sign off",
    Act.TAKE_IN: "take it into another bay",
    Act.SET_PROMISE: "change when it is promised for",
    Act.STOP: "stop the job",
}

# Who may: the shop's one table of role x action stands in shop/roles.py.
ACTION: dict[Act, Action] = {
    Act.OPEN: Action.WORK_JOB,
    Act.KEY_CLEARANCES: Action.WORK_JOB,
    Act.KEY_SHIMS: Action.WORK_JOB,
    Act.SET_ADJUST: Action.WORK_JOB,
    Act.PLAN: Action.PLAN,
    Act.ACCEPT: Action.HOLD,
    Act.RELEASE: Action.HOLD,
    Act.HAND_OUT: Action.HAND_OUT,
    Act.FIT: Action.WORK_JOB,
    Act.SIGN_OFF: Action.WORK_JOB,
    Act.TAKE_IN: Action.WORK_JOB,
    Act.SET_PROMISE: Action.WORK_JOB,
    Act.STOP: Action.STOP_JOB,
}

_KEYING = frozenset({Act.KEY_CLEARANCES, Act.KEY_SHIMS, Act.SET_ADJUST})
# Whatever a job waits for, its engine may be rolled into another bay, promised for another time and stopped.
_ALWAYS = frozenset({Act.TAKE_IN, Act.SET_PROMISE, Act.STOP})
ALLOWED: dict[str, frozenset[Act]] = {
    S.OPEN: _KEYING | _ALWAYS | {Act.PLAN, Act.SIGN_OFF},
    S.PLANNED: _KEYING | _ALWAYS | {Act.PLAN, Act.ACCEPT, Act.SIGN_OFF},
    S.WAITING: _ALWAYS | {Act.RELEASE},
    S.HELD: _ALWAYS | {Act.RELEASE, Act.HAND_OUT, Act.FIT},
    S.OUT: _ALWAYS | {Act.RELEASE, Act.FIT},
    S.FITTED: _KEYING | _ALWAYS | {Act.PLAN, Act.SIGN_OFF},
    S.SIGNED_OFF: frozenset(),
    S.STOPPED: frozenset(),
}

# What the job stands at, and what would be right, in the words of the person at the bay.
_STANDS_AT: dict[str, str] = {
    S.OPEN: "its readings are being keyed in",
    S.PLANNED: "it is planned and nothing is held yet",
    S.WAITING: "it waits for shims that have to be bought",
    S.HELD: "its shims are held",
    S.OUT: "its shims are handed out",
    S.FITTED: "its shims are fitted and the valves are to be measured again",
    S.SIGNED_OFF: "it is signed off",
    S.STOPPED: "it was stopped",
}
NEXT: dict[str, str] = {
    S.OPEN: "Key in what is not read yet, then plan.",
    S.PLANNED: "Hold the plan's shims, or plan again.",
    S.WAITING: "Receive the shims, or release the plan.",
    S.HELD: "Hand out or fit, or release the plan.",
    S.OUT: "Fit, or release the plan.",
    S.FITTED: "Key in the readings after, then sign off or plan again.",
    S.SIGNED_OFF: "Open a new job for this vehicle.",
    S.STOPPED: "Open a new job for this vehicle.",
}


# The same once every valve that may be opened was read.
NEXT_ONCE_READ: dict[str, str] = {
    S.OPEN: "Plan the job.",
    S.FITTED: "Sign off, or plan again.",
}


def resting_state(job: Job) -> str:
    """Where a job stands without a plan: at its readings, before or after a fit."""
    return S.FITTED if job.round else S.OPEN


def refuse_unless_allowed(job: Job, act: Act) -> None:
    """Raise WrongState, saying what the state is and what the next step would be."""
    if act in ALLOWED[job.state]:
        return
    hint = NEXT[job.state]
    if act in _KEYING and job.is_open:
        hint = "Release the plan first: it rests on the readings as they are."
    raise WrongState(
        f"{job}: {_STANDS_AT[job.state]}, so one cannot {WORDS[act]} now. {hint}",
        extra={"state": str(job.state), "act": str(act)},
    )
