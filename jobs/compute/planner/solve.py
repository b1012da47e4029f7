"""The best plan for one engine."""

from collections import Counter
from dataclasses import replace

from jobs.compute.planner.explain import why_changed, why_kept, why_measured, why_unresolved
from jobs.compute.planner.kinds import stock_cost
from jobs.compute.planner.model import build_model, needs_change
from jobs.compute.planner.preference import USUAL, Preference
from jobs.compute.planner.types import (
    Choice,
    LeftOver,
    NewShim,
    Plan,
    Problem,
    Score,
    ToBuy,
    Valve,
)
from jobs.compute.readings import Verdict, verdict
from jobs.compute.windows import clearance_after, is_guaranteed


def plan_engine(problem: Problem, preference: Preference = USUAL) -> Plan:
    """The best plan: no other that the preference allows has a smaller `Score` by its order of ranks. An
    engine without valves gets an empty plan.

    Equal plans are broken by a fixed order: the one whose first valve in the order of the problem has the
    smaller figures of its own, by that order of ranks, then the swap whose giver comes first or the thinner
    shim; then the same for the second valve, and so on. The order of lots and sizes in the problem means
    nothing, except that of lots that are alike the first is emptied first.

    Raises assignment.NotProvenError rather than return a plan that is not proven best.
    """
    asked, lots = preference.restricted(problem)
    plan = _plan(asked, preference)
    if asked is problem:
        return plan
    choices = [
        choice if choice.from_lot is None else choice._replace(from_lot=lots[choice.from_lot])
        for choice in plan.choices
    ]
    return replace(plan, choices=tuple(choices))


def _plan(problem: Problem, preference: Preference) -> Plan:
    new_shims = chosen_shims(problem, preference)
    takers = {
        shim.from_label: problem.valves[index].label
        for index, shim in new_shims.items()
        if shim.from_label is not None
    }
    choices: list[Choice] = []
    left_over: list[LeftOver] = []
    deviation_nm = 0
    for index, valve in enumerate(problem.valves):
        shim = new_shims.get(index)
        said = verdict(valve.passes_nm, valve.stops_nm, valve.min_nm, valve.max_nm)
        if shim is None:
            choice = _without_new_shim(problem, preference, valve, said)
        else:
            choice, off_nm = _changed(problem, preference, valve, said, shim, takers.get(valve.label))
            deviation_nm += off_nm
        choices.append(choice)
        if choice.action not in ("keep", "measure") and valve.shim is not None and valve.label not in takers:
            left_over.append(LeftOver(valve.shim.thickness_nm, valve.label))

    actions = Counter(choice.action for choice in choices)
    changed = [choice for choice in choices if choice.action in ("swap", "stock", "buy")]
    to_buy = Counter(shim.thickness_nm for shim in new_shims.values() if shim.action == "buy")
    return Plan(
        score=Score(
            unresolved=actions["unresolved"],
            bought=actions["buy"],
            not_guaranteed=sum(not choice.guaranteed for choice in changed),
            opened=len(changed) + actions["unresolved"],
            stock_cost=sum(
                stock_cost(problem.lots[shim.from_lot])
                for shim in new_shims.values()
                if shim.from_lot is not None
            ),
            deviation_nm=deviation_nm,
        ),
        choices=tuple(choices),
        left_over=tuple(left_over),
        to_buy=tuple(ToBuy(nm, quantity) for nm, quantity in sorted(to_buy.items())),
        to_measure=tuple(choice.label for choice in choices if choice.action == "measure"),
    )


def chosen_shims(problem: Problem, preference: Preference = USUAL) -> dict[int, NewShim]:
    """The choosing alone, without figures and sentences: by valve, in order, the shim it gets in the best
    plan where that is not its own one. What the preference does not allow must not be in the problem.
    """
    model = build_model(problem, preference)
    if model is None:
        return {}
    valves, rows = model.valves, len(model.valves)
    none, to_buy = model.kinds.none, model.kinds.to_buy.start
    taken: Counter[int] = Counter()
    got: dict[int, NewShim] = {}
    for row, kind in enumerate(model.best()):
        if kind in (row, none):
            continue
        valve = valves[row]
        if kind < rows:
            got[valve] = _swapped(problem, problem.valves[valves[kind]])
        elif kind < to_buy:
            place = next(
                lot for lot in model.kinds.lots(kind, rows) if taken[lot] < problem.lots[lot].quantity
            )
            taken[place] += 1
            got[valve] = _from_stock(problem, place)
        else:
            got[valve] = NewShim(
                action="buy",
                thickness_nm=int(model.kinds.thickness_nm[kind]),
                uncertainty_nm=problem.uncertainty.unworn_nm,
                condition="new",
            )
    return got


def _swapped(problem: Problem, giver: Valve) -> NewShim:
    if giver.shim is None:
        raise ValueError(f"the shim of {giver.label} is not known")
    return NewShim(
        action="swap",
        thickness_nm=giver.shim.thickness_nm,
        uncertainty_nm=problem.uncertainty.of_own(giver.shim),
        from_label=giver.label,
    )


def _from_stock(problem: Problem, place: int) -> NewShim:
    lot = problem.lots[place]
    return NewShim(
        action="stock",
        thickness_nm=lot.thickness_nm,
        uncertainty_nm=problem.uncertainty.of_condition(lot.condition),
        condition=lot.condition,
        from_lot=place,
        elsewhere=lot.elsewhere,
    )


def _without_new_shim(problem: Problem, preference: Preference, valve: Valve, said: Verdict) -> Choice:
    """The choice of a valve that keeps its own shim, gets none, or is to be measured first."""
    if not needs_change(valve):
        return Choice(
            label=valve.label,
            verdict=said,
            action="keep",
            thickness_nm=None if valve.shim is None else valve.shim.thickness_nm,
            condition=None,
            from_valve=None,
            from_lot=None,
            low_nm=valve.passes_nm,
            called_nm=valve.passes_nm,
            high_nm=valve.stops_nm,
            guaranteed=said == "in_spec" and valve.passes_nm > 0,
            why=why_kept(valve, said),
        )
    measure = valve.shim is None
    return Choice(
        label=valve.label,
        verdict=said,
        action="measure" if measure else "unresolved",
        thickness_nm=None,
        condition=None,
        from_valve=None,
        from_lot=None,
        low_nm=None,
        called_nm=None,
        high_nm=None,
        guaranteed=None,
        why=why_measured(valve, said) if measure else why_unresolved(problem, valve, said, preference),
    )


def _changed(
    problem: Problem,
    preference: Preference,
    valve: Valve,
    said: Verdict,
    shim: NewShim,
    taker: str | None,
) -> tuple[Choice, int]:
    """The choice of a valve that gets another shim, and how far it ends from its aim."""
    if valve.shim is None:
        raise ValueError(f"the shim of {valve.label} is not known")
    after = clearance_after(
        valve.shim.thickness_nm,
        valve.passes_nm,
        valve.stops_nm,
        shim.thickness_nm,
        problem.uncertainty.of_own(valve.shim) + shim.uncertainty_nm,
        problem.lash_ratio,
    )
    guaranteed = is_guaranteed(after, valve.passes_nm, valve.min_nm, valve.max_nm)
    choice = Choice(
        label=valve.label,
        verdict=said,
        action=shim.action,
        thickness_nm=shim.thickness_nm,
        condition=shim.condition,
        from_valve=shim.from_label,
        from_lot=shim.from_lot,
        low_nm=round(after.low),
        called_nm=round(after.called),
        high_nm=round(after.high),
        guaranteed=guaranteed,
        why=why_changed(
            valve,
            said,
            shim,
            round(after.called),
            guaranteed=guaranteed,
            taker=taker,
            preference=preference,
        ),
    )
    return choice, abs(round(after.called - valve.aim_nm))
