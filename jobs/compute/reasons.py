"""Why a plan for one engine is not otherwise: the nearer shim of each valve, and what one more would change.

Promise
    `why_not_nearer` says what stands against the shim nearest to a valve's aim, where that is not the one
    chosen: held by somebody, not measured, needed elsewhere, not certain enough. `one_more` plans again with
    one more shim in the drawer and says what that changes; `worth_having` asks it for the sizes that could
    change anything. The sentences on nearer shims are those of the shop's plan, of which one engine is a
    case.

Limits
    Nearer shims are spoken of for plans by the usual ranks only: under others what stands against a shim is
    the wish itself. Shims of other sites are not spoken of.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

from jobs.compute.planner import USUAL, Lot, Plan, Preference, Problem, Score, plan_engine
from jobs.compute.planner.explain import mm
from jobs.compute.shopplan import Aside, OpenJob, Pick, ShopLot, ShopProblem
from jobs.compute.shopplan.nearer import Nearer
from jobs.compute.windows import called_window

_KEY = _FAMILY = "engine"


@dataclass(frozen=True, slots=True, kw_only=True)
class SetAside:
    """Shims in the building that no plan may take."""

    thickness_nm: int
    because: Literal["held", "unmeasured"]
    by: str = ""
    """Who holds it, e.g. "Job 12"."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OneMoreShim:
    """What one more new shim of a size would have changed."""

    thickness_nm: int
    before: Score
    after: Score
    say: str
    """One plain sentence."""


def why_not_nearer(
    problem: Problem, plan: Plan, aside: Iterable[SetAside] = (), preference: Preference = USUAL
) -> dict[str, str]:
    """By label of a valve that gets another shim, a sentence on the nearest shim that would be closer to its
    aim; valves of which there is nothing to say are missing.
    """
    if preference.ranks != USUAL.ranks:
        return {}
    here = [
        index
        for index, lot in enumerate(problem.lots)
        if not lot.elsewhere and preference.allows(condition=lot.condition, elsewhere=False)
    ]
    place = {index: at for at, index in enumerate(here)}
    job = OpenJob(key=_KEY, family=_FAMILY, valves=problem.valves, lash_ratio=problem.lash_ratio)
    shop = ShopProblem(
        jobs=(job,),
        lots=tuple(_shop_lot(problem.lots[index]) for index in here),
        catalogue={_FAMILY: problem.catalogue_nm if preference.buy else ()},
        aside=tuple(
            Aside(family=_FAMILY, thickness_nm=one.thickness_nm, because=one.because, by=one.by)
            for one in aside
        ),
        uncertainty=problem.uncertainty,
    )
    picks: dict[tuple[str, str], Pick] = {}
    for choice in plan.choices:
        sent = choice.from_lot is not None and choice.from_lot not in place
        if sent or choice.thickness_nm is None:
            continue
        if choice.action in ("swap", "stock", "buy"):
            picks[_KEY, choice.label] = Pick(
                job=_KEY,
                label=choice.label,
                action=choice.action,
                thickness_nm=choice.thickness_nm,
                from_job=_KEY if choice.from_valve is not None else None,
                from_label=choice.from_valve,
                from_lot=None if choice.from_lot is None else place[choice.from_lot],
            )
    nearer = Nearer(shop, picks)
    said = {}
    for valve, choice in zip(problem.valves, plan.choices, strict=True):
        pick = picks.get((_KEY, choice.label))
        if pick is not None:
            said[choice.label] = nearer.why_not(job, valve, pick, guaranteed=bool(choice.guaranteed))
    return {label: sentence for label, sentence in said.items() if sentence}


def _shop_lot(lot: Lot) -> ShopLot:
    return ShopLot(
        family=_FAMILY, thickness_nm=lot.thickness_nm, condition=lot.condition, quantity=lot.quantity
    )


def one_more(problem: Problem, plan: Plan, thickness_nm: int, preference: Preference = USUAL) -> OneMoreShim:
    """What one more new shim of this thickness in the drawer would have changed."""
    extra = Lot(thickness_nm=thickness_nm, condition="new", quantity=1)
    after = plan_engine(replace(problem, lots=(*problem.lots, extra)), preference).score
    return OneMoreShim(
        thickness_nm=thickness_nm, before=plan.score, after=after, say=_say(thickness_nm, plan.score, after)
    )


def worth_having(
    problem: Problem,
    plan: Plan,
    sizes_nm: Iterable[int],
    preference: Preference = USUAL,
    at_most: int = 3,
) -> tuple[OneMoreShim, ...]:
    """The sizes of which one more would have left fewer valves without a shim, saved a purchase or opened
    fewer valves; the best first, of sizes that change the same the one nearest to an aim. A certain
    clearance is worth a word too, a nicer one is not.
    """
    windows = [
        called_window(
            valve.shim.thickness_nm, valve.passes_nm, valve.min_nm, valve.max_nm, problem.lash_ratio
        )
        for valve in problem.valves
        if valve.shim is not None and valve.adjust != "never"
    ]
    # Also those of valves in spec: one that gets it may give its own away.
    useful = sorted({size for size in sizes_nm if any(window.holds(size) for window in windows)})
    asked = [one_more(problem, plan, size, preference) for size in useful]
    helping = [one for one in asked if preference.key(one.after) < preference.key(plan.score) and one.say]
    best: dict[str, OneMoreShim] = {}
    for one in sorted(helping, key=lambda one: preference.key(one.after)):
        best.setdefault(one.say.partition(" would ")[2], one)
    return tuple(list(best.values())[:at_most])


def _say(thickness_nm: int, before: Score, after: Score) -> str:
    """Empty where it changes nothing that anybody would notice."""
    begin = f"One more new {mm(thickness_nm)} mm shim in the drawer would have"
    saved = Score(*(old - new for old, new in zip(before, after, strict=True)))
    if saved.unresolved > 0:
        return f"{begin} given {_counted(saved.unresolved)} a shim that now gets none."
    if saved.bought > 0:
        return f"{begin} saved buying {saved.bought}."
    if saved.not_guaranteed > 0:
        return f"{begin} made the clearance of {_counted(saved.not_guaranteed)} certain."
    if saved.opened > 0:
        return f"{begin} left {_counted(saved.opened)} closed."
    return ""


def _counted(valves: int) -> str:
    return "one valve" if valves == 1 else f"{valves} valves"
