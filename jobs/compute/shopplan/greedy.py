"""What plans are compared with: valve by valve, the nearest shim first, as one does without a plan.

Promise
    `nearest_first` takes the jobs by weight, the heaviest first, and their valves in order, and gives each
    one that needs a change the shim nearest to its aim among all that lie loose in the building: pulled out
    of valves of any open engine that need a change, in trays and bins; then of what is on order; else the
    nearest size of the catalogue. It opens no valve that is in spec. The plan keeps every rule (verify finds
    nothing), it is only not the best one.
"""

from bisect import bisect_left
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from jobs.compute.shopplan.model import (
    AWAITED,
    BOUGHT,
    DEVIATION,
    STOCK,
    UNRESOLVED,
    Column,
    Model,
    build_model,
)
from jobs.compute.shopplan.records import shop_records
from jobs.compute.shopplan.types import OpenJob, Pick, Proof, ShopPlan, ShopProblem

_NOT_ASKED = Proof("waiting", 0, 0)


def nearest_first(problem: ShopProblem) -> ShopPlan:
    """The plan that this rule makes. Engines that are not on the bench take from no other engine."""
    picks = [
        pick
        for family in sorted({job.family for job in problem.jobs})
        for pick in _of_family(problem, family)
    ]
    plan = shop_records(problem, picks, _NOT_ASKED)
    return replace(plan, proof=_NOT_ASKED._replace(value=plan.score.waiting))


def _of_family(problem: ShopProblem, family: str) -> Iterator[Pick]:
    jobs = [job for job in problem.jobs if job.family == family]
    model = build_model(
        replace(
            problem,
            jobs=tuple(jobs),
            lots=tuple(lot for lot in problem.lots if lot.family == family),
            ordered=tuple(lot for lot in problem.ordered if lot.family == family),
        )
    )
    lots = [index for index, lot in enumerate(problem.lots) if lot.family == family]
    ordered = [index for index, lot in enumerate(problem.ordered) if lot.family == family]
    sizes = {"stock": problem.lots, "order": problem.ordered}
    left: Counter[tuple[str, int]] = Counter()
    for kind, which in (("stock", lots), ("order", ordered)):
        for index in which:
            left[kind, index] = sizes[kind][index].quantity
    used: Counter[int] = Counter()
    choices = _choices(model)
    rows = [row for row in range(len(model.rows)) if model.rows[row].needs]
    for row in sorted(rows, key=lambda row: (-jobs[model.rows[row].job].weight, row)):
        job, label = jobs[model.rows[row].job], model.rows[row].valve.label
        for column in choices[row]:
            if column >= len(model.columns):
                if model.buys(column):
                    yield Pick(job.key, label, "buy", model.buy_nm[row])
                break
            one = model.columns[column]
            if used[column] == one.capacity or not _loose(model, jobs, job, one):
                continue
            used[column] += 1
            if one.kind in ("stock", "order"):
                whole = lots if one.kind == "stock" else ordered
                lot = next(whole[lot] for lot in one.lots if left[one.kind, whole[lot]])
                left[one.kind, lot] -= 1
                yield Pick(job.key, label, one.kind, one.thickness_nm, from_lot=lot)
            else:
                giver = jobs[one.job].key
                action = "swap" if one.kind == "own" else "tray"
                yield Pick(job.key, label, action, one.thickness_nm, giver, one.label or None)
            break


def _loose(model: Model, jobs: list[OpenJob], job: OpenJob, column: Column) -> bool:
    """Whether this shim lies loose, where the job may take it."""
    if column.job < 0:
        return True
    giver = jobs[column.job]
    if giver.key != job.key and not (job.on_bench and giver.on_bench):
        return False
    return column.kind == "tray" or column.row < 0 or model.rows[column.row].needs


def _choices(model: Model) -> list[list[int]]:
    """Per row its columns, the nearest to the aim first; then on order, then to buy, then none."""
    needs = np.array([row.needs for row in model.rows], dtype=np.bool_)
    arcs = model.arcs.take(needs[model.arcs.row])
    cost = arcs.cost
    keys = sorted(
        zip(
            arcs.row.tolist(),
            *(cost[layer].tolist() for layer in (UNRESOLVED, BOUGHT, AWAITED, DEVIATION, STOCK)),
            arcs.column.tolist(),
            strict=True,
        )
    )
    rows = [key[0] for key in keys]
    columns = [key[-1] for key in keys]
    return [columns[bisect_left(rows, row) : bisect_left(rows, row + 1)] for row in range(len(model.rows))]
