"""The cheapest choice, with the proof or the gap."""

from collections import defaultdict
from fractions import Fraction

import numpy as np
import scipy

from inventory.compute.purchase.greedy import cheapest_each
from inventory.compute.purchase.model import FloatArray, Model, Program, build_model
from inventory.compute.purchase.records import Taken, make_choice
from inventory.compute.purchase.supply import Shelf, supply_of, why_not
from inventory.compute.purchase.types import Choice, Problem, Reason, Wanted

TIME_LIMIT_S = 8.0
_RELATIVE_GAP = 1e-7
_STOPPED_EARLY = 1
_SLACK = 1e-6
"""By how much the solver may be off where whole numbers are meant."""


class NotSolvedError(Exception):
    """The solver's figures do not add up; nothing is given back rather than something wrong."""


def choose(problem: Problem, time_limit_s: float = TIME_LIMIT_S, gap: float = 0) -> Choice:
    """The cheapest way to buy what is wanted: as many needs as can be, then the least total.

    Proven best, unless the time was up or a `gap` of so large a share is allowed; then `Choice.gap` says how
    much less another choice could cost at most. Needs that nothing on offer serves stand under `unmet`.
    The same problem gives the same choice as long as the time does not run out. Raises NotSolvedError when
    the solver fails.
    """
    supply = supply_of(problem)
    reasons = {need.key: why_not(need, problem, supply) for need in problem.wanted}
    needs = [need for need in problem.wanted if reasons[need.key] is None]
    hopeless: dict[str, Reason] = {key: reason for key, reason in reasons.items() if reason is not None}
    start = None if problem.locks else cheapest_each(problem)
    if not supply.offers or not (needs or problem.locks):
        return make_choice(problem, supply, Taken({}, {}), hopeless, None)
    model = build_model(problem, supply, needs)
    if problem.locks:
        _serve_most(model, time_limit_s)
    found, bound = _solved(model.program, time_limit_s, max(gap, _RELATIVE_GAP))
    if found is None:
        if start is None:
            raise NotSolvedError("no choice was found in the time given that keeps the locked lines")
        return _with_bound(start, bound)
    whole = _flows_made_whole(model.program, found)
    taken = Taken(_packs(model, whole), _given(model, whole))
    best = make_choice(problem, supply, taken, hopeless, bound)
    return _with_bound(start, bound) if start and start.figures.total < best.figures.total else best


def _with_bound(choice: Choice, bound: Fraction) -> Choice:
    return Choice(
        orders=choice.orders,
        given=choice.given,
        unmet=choice.unmet,
        waits=choice.waits,
        left_over=choice.left_over,
        figures=choice.figures,
        bound=min(bound, choice.figures.total),
    )


def _serve_most(model: Model, time_limit_s: float) -> None:
    """Ask for as many needs to be served as the locked lines allow: a row that holds whatever it costs."""
    program = model.program
    costs = program.cost
    program.cost = [0.0] * len(costs)
    for column in model.short:
        program.cost[column] = 1.0
    found, _ = _solved(program, time_limit_s, 0)
    program.cost = costs
    if found is None:
        raise NotSolvedError("it was not found out in the time given which needs the locked lines leave")
    missing = round(sum(float(found[column]) for column in model.short))
    program.row([(column, 1.0) for column in model.short], 0, missing)


def _solved(program: Program, time_limit_s: float, gap: float) -> tuple[FloatArray | None, Fraction]:
    result = scipy.optimize.milp(
        np.array(program.cost),
        integrality=np.array(program.whole),
        bounds=program.bounds(),
        constraints=program.constraint(),
        options={"time_limit": time_limit_s, "mip_rel_gap": gap},
    )
    if result.status not in (0, _STOPPED_EARLY):
        raise NotSolvedError(f"the solver says: {result.message}")
    bound = result.mip_dual_bound
    if bound is None or not np.isfinite(bound):
        # Nothing that is bought costs less than nothing; all credit together is the most that comes back.
        bound = sum(min(cost, 0.0) * most for cost, most in zip(program.cost, program.most, strict=True))
    return result.x, Fraction(float(bound))


def _flows_made_whole(program: Program, found: FloatArray) -> FloatArray:
    """With packs, orders and waits fixed the rest is a flow, whose cheapest corner is whole."""
    whole = np.array(program.whole, dtype=bool)
    least, most = np.array(program.least), np.array(program.most)
    least[whole] = most[whole] = np.round(found[whole])
    result = scipy.optimize.milp(
        np.array(program.cost), bounds=scipy.optimize.Bounds(least, most), constraints=program.constraint()
    )
    if result.x is None:
        raise NotSolvedError(f"the packs that were found do not serve the needs: {result.message}")
    rounded: FloatArray = np.round(result.x)
    if float(np.abs(result.x - rounded).max(initial=0.0)) > _SLACK:
        raise NotSolvedError("a shim would have to be given in parts")
    return rounded


def _packs(model: Model, whole: FloatArray) -> dict[str, int]:
    counts = {
        key: sum(int(whole[column]) for column in columns.packs) for key, columns in model.offers.items()
    }
    return {key: packs for key, packs in counts.items() if packs}


def _given(model: Model, whole: FloatArray) -> dict[tuple[str, Shelf], int]:
    """What each need gets. Within a class the first need gets what is here first."""
    given: dict[tuple[str, Shelf], int] = defaultdict(int)
    for each, columns in zip(model.classes, model.give, strict=True):
        shelves = sorted(columns, key=lambda shelf: (shelf.arrives, shelf))
        left = {shelf: int(whole[columns[shelf]]) for shelf in shelves}
        for need in each.needs:
            _give(need, left, given)
    return dict(given)


def _give(need: Wanted, left: dict[Shelf, int], given: dict[tuple[str, Shelf], int]) -> None:
    wanted = need.quantity
    for shelf, held in left.items():
        some = min(wanted, held)
        if some:
            given[need.key, shelf] += some
            left[shelf] -= some
            wanted -= some
