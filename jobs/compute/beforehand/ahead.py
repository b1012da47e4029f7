"""Every case planned, and what they come to."""

from collections import Counter
from collections.abc import Mapping, Sequence
from fractions import Fraction

from inventory.compute.sizes import nearest_size, sizes
from jobs.compute.beforehand.certainty import hundredths, wilson
from jobs.compute.beforehand.types import Ahead, Cases, Engine, Size, SizeState
from jobs.compute.planner import Lot, Plan, Problem, Valve, plan_engine

ORDER_FROM = Fraction(1, 5)
"""A shim is ordered beforehand when at least this share of cases lacks it (common sense, no source)."""


def look_ahead(
    engine: Engine, cases: Cases, lots: Sequence[Lot], coming: Mapping[int, int] | None = None
) -> Ahead:
    """What the cases come to with these lots. `coming` by size: shims that nobody waits for and that are on
    their way or stand on the list of what is to buy; they are not ordered again.
    """
    coming = coming or {}
    plans = _plan_all(engine, cases.engines, tuple(lots))
    takes = [_takes(engine, plan, lots) for plan in plans]
    buys = [Counter({size.thickness_nm: size.quantity for size in plan.to_buy}) for plan in plans]
    order = _order(buys, coming)
    there: Counter[int] = Counter()
    for lot in lots:
        there[nearest_size(engine.family, lot.thickness_nm)] += lot.quantity
    done = sum(_is_done(plan) for plan in plans)
    low, high = None, None
    if plans:
        low, high = hundredths(wilson(Fraction(done, len(plans)), cases.rest_on))
    return Ahead(
        cases=len(plans),
        rest_on=cases.rest_on,
        done=done,
        unresolved=sum(plan.score.unresolved > 0 for plan in plans),
        low=low,
        high=high,
        sizes=_sizes(takes, buys, there, order),
        with_order=_with_more(engine, cases, plans, lots, coming, order),
    )


def problem_of_case(engine: Engine, valves: tuple[Valve, ...], lots: Sequence[Lot]) -> Problem:
    """The case as the planner takes it, buying allowed."""
    return Problem(
        valves=valves,
        lots=tuple(lots),
        catalogue_nm=sizes(engine.family),
        lash_ratio=engine.lash_ratio,
        uncertainty=engine.uncertainty,
    )


def _plan_all(engine: Engine, cases: Sequence[tuple[Valve, ...]], lots: tuple[Lot, ...]) -> list[Plan]:
    """Engines that are read alike are planned once."""
    known: dict[tuple[Valve, ...], Plan] = {}
    for valves in cases:
        if valves not in known:
            known[valves] = plan_engine(problem_of_case(engine, valves, lots))
    return [known[valves] for valves in cases]


def _is_done(plan: Plan) -> bool:
    return not plan.score.unresolved and not plan.score.bought


def _takes(engine: Engine, plan: Plan, lots: Sequence[Lot]) -> Counter[int]:
    """What the plan takes from bins, by made size."""
    return Counter(
        nearest_size(engine.family, lots[choice.from_lot].thickness_nm)
        for choice in plan.choices
        if choice.from_lot is not None
    )


def _order(buys: Sequence[Counter[int]], coming: Mapping[int, int]) -> dict[int, int]:
    """By size, so many that fewer than `ORDER_FROM` of the cases lack one more, less what is coming."""
    order = {}
    for size in sorted({size for bought in buys for size in bought}):
        wanted = sorted((bought[size] for bought in buys), reverse=True)
        # The n-th shim is lacked in as many cases as want n or more.
        quantity = sum(
            Fraction(sum(each >= nth for each in wanted), len(buys)) >= ORDER_FROM
            for nth in range(1, wanted[0] + 1)
        )
        quantity -= coming.get(size, 0)
        if quantity > 0:
            order[size] = quantity
    return order


def _sizes(
    takes: Sequence[Counter[int]],
    buys: Sequence[Counter[int]],
    there: Mapping[int, int],
    order: Mapping[int, int],
) -> tuple[Size, ...]:
    both = [taken + bought for taken, bought in zip(takes, buys, strict=True)]
    rows = [
        Size(
            size_nm=size,
            wanted=sum(size in wanted for wanted in both),
            bought=(bought := sum(size in each for each in buys)),
            most=max(wanted[size] for wanted in both),
            order=order.get(size, 0),
            state=_state(there.get(size, 0), bought),
        )
        for size in {size for wanted in both for size in wanted}
    ]
    return tuple(sorted(rows, key=lambda row: (-row.wanted, row.size_nm)))


def _state(available: int, bought: int) -> SizeState:
    if bought:
        return "short" if available else "missing"
    return "last" if available == 1 else "here"


def _with_more(
    engine: Engine,
    cases: Cases,
    plans: Sequence[Plan],
    lots: Sequence[Lot],
    coming: Mapping[int, int],
    order: Mapping[int, int],
) -> int:
    """In how many cases nothing is bought with these in bins too. What can be done now can be done then."""
    more = Counter(coming) + Counter(order)
    stays = sum(_is_done(plan) for plan in plans)
    if not more:
        return stays
    new = [Lot(thickness_nm=size, condition="new", quantity=count) for size, count in sorted(more.items())]
    open_cases = [valves for valves, plan in zip(cases.engines, plans, strict=True) if not _is_done(plan)]
    again = _plan_all(engine, open_cases, (*lots, *new))
    return stays + sum(_is_done(plan) for plan in again)
