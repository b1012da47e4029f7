"""The provably best plan for all open engines of a site over all its shims.

Promise
    `plan_shop` returns a plan than which no other has a smaller `ShopScore`; or, when its time was up, one
    whose `proof` names the first rank for which a smaller figure is not ruled out, and how small it could
    be. The same problem always gives the same plan as long as the time does not run out. `verify` re-checks
    a plan against its problem and shares no code with what made it.

The ranks
    First the weights of the jobs that cannot be completed with what is in the building, then the tuple of
    the engine's planner summed over all jobs. A shim that moves from one job to another costs 1 in
    `stock_cost`, like a used one from a bin. What is on order stands between stock and buying: it has a rank
    of its own, `awaited`, after `bought`; a job that gets such a shim waits for it.

The way
    types -> parts (split: what can be planned side by side) -> model (a part as a flow) -> shortage (where
    shims are too few, the only place where there is a choice of who waits) -> choice (that choice, an
    integer program by HiGHS) -> assignment (the best flow for it, proven) -> solve (the picks of a part)
    -> parts (join) -> records (the plan, every figure anew) -> explain and nearer (sentences). verify stands
    apart; greedy is what plans are compared with; what_if plans again with one more shim; weights gives
    what a job counts.

    Workers solve parts side by side: split(problem), solve_part(part) each, join(problem, part_plans);
    as_json carries problems and part plans between them.
"""

from jobs.compute.shopplan.greedy import nearest_first
from jobs.compute.shopplan.parts import join, plan_shop, split
from jobs.compute.shopplan.solve import solve_part
from jobs.compute.shopplan.types import (
    Aside,
    HandOver,
    JobPlan,
    OpenJob,
    OrderedLot,
    Part,
    PartPlan,
    Pick,
    Pin,
    Proof,
    Purchase,
    ShopChoice,
    ShopLot,
    ShopPlan,
    ShopProblem,
    ShopScore,
    SpareShim,
    TrayShim,
    in_one_tray,
)
from jobs.compute.shopplan.verify import verify
from jobs.compute.shopplan.weights import job_weight
from jobs.compute.shopplan.what_if import OneMore, one_more, worth_having

__all__ = [
    "Aside",
    "HandOver",
    "JobPlan",
    "OneMore",
    "OpenJob",
    "OrderedLot",
    "Part",
    "PartPlan",
    "Pick",
    "Pin",
    "Proof",
    "Purchase",
    "ShopChoice",
    "ShopLot",
    "ShopPlan",
    "ShopProblem",
    "ShopScore",
    "SpareShim",
    "TrayShim",
    "in_one_tray",
    "job_weight",
    "join",
    "nearest_first",
    "one_more",
    "plan_shop",
    "solve_part",
    "split",
    "verify",
    "worth_having",
]
