"""The provably best plan for one engine: which shim goes where.

Promise
    `plan_engine` returns a plan than which no other has a smaller `Score`, its ranks compared in the order
    of the `Preference` given, among the plans that this allows; the proof is checked in exact arithmetic
    before the plan is returned (assignment.py). The same problem always gives the same plan.
    `verify` re-checks a plan against its problem and shares no code with what made it.

The way: types -> preference (the order of the ranks, what may be taken) -> kinds (what there is to fit) ->
choices (who may get which, and which of it can matter) -> model (what is left as an assignment problem) ->
assignment (solved by ranks, proven) -> solve (the plan) -> explain (a sentence per valve); verify stands
apart.
"""

from jobs.compute.planner.model import needs_change
from jobs.compute.planner.preference import USUAL, Preference
from jobs.compute.planner.solve import chosen_shims, plan_engine
from jobs.compute.planner.types import (
    Action,
    Adjust,
    Choice,
    Condition,
    LeftOver,
    Lot,
    OwnShim,
    Plan,
    Problem,
    Score,
    ToBuy,
    Uncertainty,
    Valve,
)
from jobs.compute.planner.verify import verify
from jobs.compute.readings import Verdict, verdict
from jobs.compute.windows import called_window, default_aim, guaranteed_window

__all__ = [
    "USUAL",
    "Action",
    "Adjust",
    "Choice",
    "Condition",
    "LeftOver",
    "Lot",
    "OwnShim",
    "Plan",
    "Preference",
    "Problem",
    "Score",
    "ToBuy",
    "Uncertainty",
    "Valve",
    "Verdict",
    "called_window",
    "chosen_shims",
    "default_aim",
    "guaranteed_window",
    "needs_change",
    "plan_engine",
    "verdict",
    "verify",
]
