"""Other ways to do one engine: the best plan under each of several wishes, side by side.

Promise
    Every alternative is a plan that `plan_engine` proves best under its preference. Wishes that lead to the
    same plan share one alternative. What is returned is the Pareto front: for none of them is there another
    that is at least as good in every figure of `Figures`, its money included where that is known, and better
    in one. The usual plan stands first, the others follow in the order of `WISHES`.

Limits
    An alternative is the best for a wish, not every point of the front. Where shims of other sites are in
    view each wish is asked twice, with them and with what lies here, since only the latter can be held now.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal, NamedTuple

from jobs.compute.planner import Plan, Preference, Problem, plan_engine

Wish = Literal["usual", "fewest_opened", "buy_nothing", "closest", "no_used"]

WISHES: dict[Wish, Preference] = {
    "usual": Preference(),
    "fewest_opened": Preference(
        ranks=("unresolved", "opened", "bought", "not_guaranteed", "stock_cost", "deviation_nm")
    ),
    "buy_nothing": Preference(buy=False),
    "closest": Preference(
        ranks=("unresolved", "deviation_nm", "bought", "not_guaranteed", "opened", "stock_cost")
    ),
    "no_used": Preference(used=False),
}
"""usual: by the ranks of `Score`; fewest_opened: as few valves as possible; buy_nothing; closest: as close to
the aims as possible, whatever it costs; no_used: used shims stay in their bins."""


class Figures(NamedTuple):
    """What a plan comes to, smaller being better in each."""

    unresolved: int
    bought: int
    not_guaranteed: int
    opened: int
    new_taken: int
    """New shims from stock."""
    used_taken: int
    """Used shims from stock."""
    sent: int
    """Of those from stock, the ones that another site has to send."""
    deviation_nm: int


class Asked(NamedTuple):
    """A wish, and whether only what lies at this site was in view."""

    wish: Wish
    here: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternative:
    """One way to do the engine."""

    asked: tuple[Asked, ...]
    """The wishes that it is the best plan for."""
    plan: Plan
    figures: Figures
    cost: Fraction | None
    """As the caller's `cost` says; None where it says nothing."""

    @property
    def key(self) -> str:
        """A name for it that stays the same as long as the stock does."""
        return name_of(self.asked[0])


def name_of(asked: Asked) -> str:
    """The name under which this wish is asked for again, e.g. "closest" or "closest-here"."""
    return f"{asked.wish}-here" if asked.here else asked.wish


def asked_for(name: str) -> Asked | None:
    """What the name stands for; None where it stands for nothing."""
    return next(
        (
            Asked(wish, here)
            for wish in WISHES
            for here in (False, True)
            if name_of(Asked(wish, here)) == name
        ),
        None,
    )


def preference_for(asked: Asked) -> Preference:
    """What the planner is to prefer under this wish."""
    preference = WISHES[asked.wish]
    if not asked.here:
        return preference
    return Preference(ranks=preference.ranks, buy=preference.buy, used=preference.used, elsewhere=False)


def alternatives(
    problem: Problem, cost: Callable[[Plan], Fraction | None] = lambda plan: None
) -> list[Alternative]:
    """The ways to do this engine, the usual one first. `cost` says what a plan costs, in any one currency.

    With shims of other sites in view the usual plan over what lies here is among them too, unless they
    change nothing.
    """
    views = (False, True) if any(lot.elsewhere for lot in problem.lots) else (False,)
    found: dict[tuple[object, ...], Alternative] = {}
    for asked in (Asked(wish, here) for wish in WISHES for here in views):
        plan = plan_engine(problem, preference_for(asked))
        same = _what_it_does(plan)
        if same in found:
            known = found[same]
            found[same] = Alternative(
                asked=(*known.asked, asked), plan=known.plan, figures=known.figures, cost=known.cost
            )
        else:
            found[same] = Alternative(
                asked=(asked,), plan=plan, figures=figures_of(problem, plan), cost=cost(plan)
            )
    return pareto_front(found.values())


def figures_of(problem: Problem, plan: Plan) -> Figures:
    """What the plan comes to."""
    lots = [problem.lots[choice.from_lot] for choice in plan.choices if choice.from_lot is not None]
    return Figures(
        unresolved=plan.score.unresolved,
        bought=plan.score.bought,
        not_guaranteed=plan.score.not_guaranteed,
        opened=plan.score.opened,
        new_taken=sum(lot.condition == "new" for lot in lots),
        used_taken=sum(lot.condition == "used" for lot in lots),
        sent=sum(lot.elsewhere for lot in lots),
        deviation_nm=plan.score.deviation_nm,
    )


def pareto_front(candidates: Iterable[Alternative]) -> list[Alternative]:
    """Those than which no other is at least as good in everything and better in something, in order."""
    every = list(candidates)
    return [one for one in every if not any(_beats(other, one) for other in every)]


def _beats(other: Alternative, one: Alternative) -> bool:
    # A cost that is not known may be less or more than one that is.
    if (other.cost is None) != (one.cost is None):
        return False
    theirs, ours = (*other.figures, other.cost or 0), (*one.figures, one.cost or 0)
    return theirs != ours and all(mine >= their for mine, their in zip(ours, theirs, strict=True))


def _what_it_does(plan: Plan) -> tuple[object, ...]:
    """The plan without its sentences: which shim goes where."""
    return tuple(
        (choice.label, choice.action, choice.thickness_nm, choice.from_valve, choice.from_lot)
        for choice in plan.choices
    )
