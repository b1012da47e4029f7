"""A shop taken apart into what can be planned side by side, and put together again.

Promise
    `split` gives parts of which none can take a shim of another, in a fixed order: by family, and within a
    family by what hangs together through thickness. So the best plans of the parts, side by side, are the
    best plan of the shop, rank by rank. `join` states every figure anew from the rules and refuses a part
    whose figures do not add up to that.
"""

from collections.abc import Mapping, Sequence

import numpy as np
import scipy

from jobs.compute.planner.assignment import NotProvenError
from jobs.compute.shopplan.choice import Deadline, Step
from jobs.compute.shopplan.model import Ends, find_ends
from jobs.compute.shopplan.records import shop_records
from jobs.compute.shopplan.solve import no_step, solve_part
from jobs.compute.shopplan.types import (
    RANKS,
    OpenJob,
    Part,
    PartPlan,
    Proof,
    ShopPlan,
    ShopProblem,
    added,
)


def plan_shop(problem: ShopProblem, time_limit: float | None = None, step: Step = no_step) -> ShopPlan:
    """The best plan for the whole shop, one part after the other. See `solve_part`."""
    deadline = Deadline(time_limit)
    parts = split(problem)
    return join(problem, [solve_part(part, deadline.left(), step) for part in parts])


def split(problem: ShopProblem) -> tuple[Part, ...]:
    """The parts of a shop; none for a shop without open jobs.

    A job is in one part with all that it could take; jobs of a family in which nothing can change form one
    part together. `Part.problem` holds only what the part may take.
    """
    parts = []
    for family in sorted({job.family for job in problem.jobs}):
        whole = _of_family(problem, family)
        ends = find_ends(whole.problem)
        for number, (jobs, lots, ordered) in enumerate(_pieces(whole.problem, ends)):
            parts.append(
                Part(
                    key=f"{family}/{number}",
                    problem=_only(whole.problem, jobs, lots, ordered),
                    lots=tuple(whole.lots[lot] for lot in lots),
                    ordered=tuple(whole.ordered[lot] for lot in ordered),
                )
            )
    return tuple(parts)


def join(problem: ShopProblem, plans: Sequence[PartPlan]) -> ShopPlan:
    """The plan of the shop from the plans of all its parts, in any order.

    Raises ValueError when plans do not fit the problem, NotProvenError when a part's score is not what its
    picks come to.
    """
    plan = shop_records(problem, [pick for part in plans for pick in part.picks], _joint_proof(plans))
    told = added([part.score for part in plans])
    if plan.score != told:
        raise NotProvenError(f"the parts say {told}, what they do comes to {plan.score}")
    return plan


def _joint_proof(plans: Sequence[PartPlan]) -> Proof:
    ranks = [RANKS.index(plan.proof.unproven) for plan in plans if plan.proof.unproven is not None]
    if not ranks:
        return Proof()
    rank = min(ranks)
    value = sum(plan.score[rank] for plan in plans)
    gap = sum(plan.proof.gap for plan in plans if plan.proof.unproven == RANKS[rank])
    return Proof(RANKS[rank], value, value - gap)


def _of_family(problem: ShopProblem, family: str) -> Part:
    lots = tuple(index for index, lot in enumerate(problem.lots) if lot.family == family)
    ordered = tuple(index for index, lot in enumerate(problem.ordered) if lot.family == family)
    jobs = [number for number, job in enumerate(problem.jobs) if job.family == family]
    return Part(key=family, problem=_only(problem, jobs, lots, ordered), lots=lots, ordered=ordered)


def _only(
    problem: ShopProblem, jobs: Sequence[int], lots: Sequence[int], ordered: Sequence[int]
) -> ShopProblem:
    kept: tuple[OpenJob, ...] = tuple(problem.jobs[job] for job in jobs)
    families = {job.family for job in kept}
    catalogue: Mapping[str, tuple[int, ...]] = {
        family: sizes for family, sizes in problem.catalogue.items() if family in families
    }
    return ShopProblem(
        jobs=kept,
        lots=tuple(problem.lots[lot] for lot in lots),
        ordered=tuple(problem.ordered[lot] for lot in ordered),
        catalogue=catalogue,
        uncertainty=problem.uncertainty,
    )


def _pieces(problem: ShopProblem, ends: Ends) -> list[tuple[list[int], list[int], list[int]]]:
    """Jobs, lots and ordered lots of each piece, as indices; last the jobs in which nothing can change."""
    jobs, columns = len(problem.jobs), len(ends.columns)
    row_job = np.array([row.job for row in ends.rows], dtype=np.int64)
    owners = [(one.job, jobs + number) for number, one in enumerate(ends.columns) if one.job >= 0]
    numbers = {job.key: number for number, job in enumerate(problem.jobs)}
    settled = [
        (number, numbers[pin.from_job])
        for number, job in enumerate(problem.jobs)
        for pin in job.pins
        if pin.from_job is not None
    ]
    fixed = np.array(owners + settled, dtype=np.int64).reshape(len(owners) + len(settled), 2)
    tail = np.concatenate([row_job[ends.row], fixed[:, 0]])
    head = np.concatenate([jobs + ends.column, fixed[:, 1]])
    size = jobs + columns
    ways = scipy.sparse.csr_array((np.ones(len(tail), dtype=np.int8), (tail, head)), shape=(size, size))
    _, piece = scipy.sparse.csgraph.connected_components(ways, directed=False)
    moving = set(piece[row_job].tolist())
    found: dict[int, tuple[list[int], list[int], list[int]]] = {}
    still: list[int] = []
    for job in range(jobs):
        if (number := int(piece[job])) in moving:
            found.setdefault(number, ([], [], []))[0].append(job)
        else:
            still.append(job)
    for number, column in enumerate(ends.columns):
        if column.kind in ("stock", "order") and (mine := found.get(int(piece[jobs + number]))) is not None:
            mine[1 if column.kind == "stock" else 2].extend(column.lots)
    pieces = [(mine, sorted(lots), sorted(ordered)) for mine, lots, ordered in found.values()]
    return [*pieces, (still, [], [])] if still else pieces
