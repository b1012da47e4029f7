"""From which shim goes where to the plan that people read: every figure stated anew from the rules.

Nothing here rests on the flow or its floats: clearances, guarantees and deviations come from windows.py,
in exact fractions.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import NamedTuple

from jobs.compute.planner.explain import why_kept, why_measured
from jobs.compute.planner.kinds import STOCK_COST
from jobs.compute.planner.model import needs_change
from jobs.compute.planner.types import Condition, OwnShim, Valve
from jobs.compute.readings import Verdict, verdict
from jobs.compute.shopplan.explain import (
    hand_over,
    taker_words,
    way_words,
    where_words,
    why_changed,
    why_job,
    why_plan,
)
from jobs.compute.shopplan.model import BETWEEN_JOBS
from jobs.compute.shopplan.nearer import Nearer
from jobs.compute.shopplan.types import (
    NOTHING,
    RANKS,
    JobPlan,
    OpenJob,
    Pick,
    Proof,
    Purchase,
    ShopAction,
    ShopChoice,
    ShopPlan,
    ShopProblem,
    ShopScore,
    SpareShim,
    added,
)
from jobs.compute.windows import clearance_after, is_guaranteed

WAITS = ("unresolved", "buy", "order", "measure")
"""Actions with which an engine cannot be completed today."""
CHANGES = ("swap", "tray", "stock", "order", "buy")


class Settled(NamedTuple):
    """A shim other than its own that a valve gets, by pick or by pin."""

    pick: Pick
    condition: Condition | None
    uncertainty_nm: int
    pinned: bool


class Figures(NamedTuple):
    """The clearance after and what it counts; called without the half-leaf, all rounded once."""

    low_nm: int
    called_nm: int
    high_nm: int
    guaranteed: bool
    off_nm: int


def shop_records(problem: ShopProblem, picks: Iterable[Pick], proof: Proof) -> ShopPlan:
    """The whole plan in which these valves get these shims and the pins hold.

    Raises ValueError for a pick of a valve or a lot that is not there.
    """
    got = _settled(problem, picks)
    takers = {
        (shim.pick.from_job, shim.pick.from_label): place
        for place, shim in got.items()
        if shim.pick.action == "swap"
    }
    by_key = {job.key: job for job in problem.jobs}
    nothing_left = proof.unproven is None or RANKS.index(proof.unproven) > RANKS.index("awaited")
    nearer = Nearer(problem, {place: shim.pick for place, shim in got.items()})
    plans, left_over = [], []
    for job in problem.jobs:
        pinned = {pin.label for pin in job.pins}
        choices, scores = [], []
        for valve in job.valves:
            place = (job.key, valve.label)
            said = verdict(valve.passes_nm, valve.stops_nm, valve.min_nm, valve.max_nm)
            taker = takers.get(place)
            told = None if taker is None else taker_words(job, by_key[taker[0]], taker[1])
            if (shim := got.get(place)) is not None:
                choice, score = _changed(
                    problem, job, valve, said, shim, told, by_key, nearer, nothing_left=nothing_left
                )
            else:
                choice, score = _unchanged(job, valve, said, told, nearer, pinned=valve.label in pinned)
            choices.append(choice)
            scores.append(score)
            if choice.action not in ("keep", "measure") and taker is None and valve.shim is not None:
                left_over.append(SpareShim(job.key, valve.label, valve.shim.thickness_nm))
        plans.append(_job_plan(problem, job, choices, scores))
    hand_overs = tuple(
        hand_over(problem, by_key[plan.key], choice)
        for plan in plans
        for choice in plan.choices
        if choice.from_job is not None and choice.from_job != plan.key
    )
    bought = Counter(
        (by_key[plan.key].family, choice.thickness_nm or 0)
        for plan in plans
        for choice in plan.choices
        if choice.action == "buy"
    )
    to_buy = tuple(Purchase(family, nm, many) for (family, nm), many in sorted(bought.items()))
    return ShopPlan(
        score=added([plan.score for plan in plans]),
        proof=proof,
        jobs=tuple(plans),
        hand_overs=hand_overs,
        left_over=tuple(left_over),
        to_buy=to_buy,
        to_measure=tuple(
            (plan.key, choice.label)
            for plan in plans
            for choice in plan.choices
            if choice.action == "measure"
        ),
        why=why_plan(plans, hand_overs, to_buy, proof),
    )


def settled_score(problem: ShopProblem, hopeless: Sequence[bool]) -> ShopScore:
    """What no choice can change: the weights of the jobs that wait anyhow, and the figures of the pins."""
    scores = [
        NOTHING._replace(waiting=job.weight)
        for job, waits in zip(problem.jobs, hopeless, strict=True)
        if waits
    ]
    jobs = {job.key: job for job in problem.jobs}
    for (key, label), shim in _settled(problem, ()).items():
        job = jobs[key]
        valve = next(valve for valve in job.valves if valve.label == label)
        scores.append(_score(job, shim, figures_of(problem, job, valve, shim)))
    return added(scores)


def figures_of(problem: ShopProblem, job: OpenJob, valve: Valve, shim: Settled) -> Figures:
    """The clearance with this shim. Raises ValueError when the valve's own one is not known."""
    if valve.shim is None:
        raise ValueError(f"{job.key} {valve.label}: a shim was chosen though its own one is not known")
    after = clearance_after(
        valve.shim.thickness_nm,
        valve.passes_nm,
        valve.stops_nm,
        shim.pick.thickness_nm,
        problem.uncertainty.of_own(valve.shim) + shim.uncertainty_nm,
        job.lash_ratio,
    )
    return Figures(
        round(after.low),
        round(after.called),
        round(after.high),
        is_guaranteed(after, valve.passes_nm, valve.min_nm, valve.max_nm),
        abs(round(after.called - valve.aim_nm)),
    )


def _settled(problem: ShopProblem, picks: Iterable[Pick]) -> dict[tuple[str, str], Settled]:
    """By job and valve the shims that pins and picks put in."""
    jobs = {job.key: job for job in problem.jobs}
    pinned = [
        Pick(job.key, pin.label, pin.action, pin.thickness_nm or 0, pin.from_job, pin.from_label)
        for job in problem.jobs
        for pin in job.pins
        if pin.action != "keep"
    ]
    conditions: Mapping[tuple[str, str], Condition | None] = {
        (job.key, pin.label): pin.condition for job in problem.jobs for pin in job.pins
    }
    got = {}
    for pick, by_pin in [*((pick, True) for pick in pinned), *((pick, False) for pick in picks)]:
        condition: Condition | None = None
        match pick.action:
            case "swap" | "tray":
                own = _out_of_engine(jobs[pick.from_job or ""], pick)
                half = problem.uncertainty.of_own(own)
            case "stock":
                condition = (
                    conditions[pick.job, pick.label]
                    if pick.from_lot is None
                    else problem.lots[pick.from_lot].condition
                )
                half = problem.uncertainty.of_condition(condition or "new")
            case _:
                condition = "new"
                half = problem.uncertainty.of_condition("new")
        got[pick.job, pick.label] = Settled(pick, condition, half, by_pin)
    return got


def _out_of_engine(giver: OpenJob, pick: Pick) -> OwnShim:
    if pick.action == "swap":
        own = next((valve.shim for valve in giver.valves if valve.label == pick.from_label), None)
    else:
        own = next(
            (shim.as_own() for shim in giver.tray if shim.thickness_nm == pick.thickness_nm),
            None,
        )
    if own is None or own.thickness_nm != pick.thickness_nm:
        raise ValueError(f"{giver.key} has no {pick.thickness_nm} nm shim for {pick.job} {pick.label}")
    return own


def _score(job: OpenJob, shim: Settled, figures: Figures) -> ShopScore:
    """What one changed valve counts."""
    pick = shim.pick
    cost = BETWEEN_JOBS if pick.from_job is not None and pick.from_job != job.key else 0
    if pick.action in ("stock", "order"):
        cost = STOCK_COST[shim.condition or "new"]
    return ShopScore(
        waiting=0,
        unresolved=0,
        bought=pick.action == "buy",
        awaited=pick.action == "order",
        not_guaranteed=not figures.guaranteed,
        opened=1,
        stock_cost=cost,
        deviation_nm=figures.off_nm,
    )


def _changed(
    problem: ShopProblem,
    job: OpenJob,
    valve: Valve,
    said: Verdict,
    shim: Settled,
    taker: str | None,
    by_key: Mapping[str, OpenJob],
    nearer: Nearer,
    *,
    nothing_left: bool,
) -> tuple[ShopChoice, ShopScore]:
    pick, figures = shim.pick, figures_of(problem, job, valve, shim)
    where = "" if pick.from_job is None else where_words(job, by_key[pick.from_job], pick.from_label)
    due = problem.ordered[pick.from_lot].due if pick.action == "order" and pick.from_lot is not None else None
    claim = nothing_left and not shim.pinned
    way = way_words(pick.action, pick.thickness_nm, shim.condition, where, due, nothing_left=claim)
    choice = ShopChoice(
        label=valve.label,
        verdict=said,
        action=pick.action,
        thickness_nm=pick.thickness_nm,
        condition=shim.condition,
        from_job=pick.from_job,
        from_label=pick.from_label,
        from_lot=pick.from_lot,
        low_nm=figures.low_nm,
        called_nm=figures.called_nm,
        high_nm=figures.high_nm,
        guaranteed=figures.guaranteed,
        pinned=shim.pinned,
        why=why_changed(
            valve,
            said,
            way,
            figures.called_nm,
            guaranteed=figures.guaranteed,
            taker=taker,
            pinned=shim.pinned,
        ),
        why_not="" if shim.pinned else nearer.why_not(job, valve, pick, guaranteed=figures.guaranteed),
    )
    return choice, _score(job, shim, figures)


def _unchanged(
    job: OpenJob, valve: Valve, said: Verdict, taker: str | None, nearer: Nearer, *, pinned: bool
) -> tuple[ShopChoice, ShopScore]:
    """A valve that keeps its shim, gets none, or is to be measured first."""
    known = valve.shim is not None
    needs = not pinned and (needs_change(valve) or taker is not None)
    action: ShopAction = "keep" if not needs else "unresolved" if known else "measure"
    keeps = action == "keep"
    why = {
        "keep": lambda: why_kept(valve, said),
        "measure": lambda: why_measured(valve, said),
        "unresolved": lambda: nearer.why_unresolved(job, valve, said, taker),
    }[action]()
    choice = ShopChoice(
        label=valve.label,
        verdict=said,
        action=action,
        thickness_nm=valve.shim.thickness_nm if keeps and valve.shim is not None else None,
        condition=None,
        from_job=None,
        from_label=None,
        from_lot=None,
        low_nm=valve.passes_nm if keeps else None,
        called_nm=valve.passes_nm if keeps else None,
        high_nm=valve.stops_nm if keeps else None,
        guaranteed=said == "in_spec" and valve.passes_nm > 0 if keeps else None,
        pinned=pinned,
        why=why,
        why_not="",
    )
    return choice, NOTHING._replace(unresolved=1, opened=1) if action == "unresolved" else NOTHING


def _job_plan(
    problem: ShopProblem, job: OpenJob, choices: list[ShopChoice], scores: list[ShopScore]
) -> JobPlan:
    completed = all(choice.action not in WAITS for choice in choices)
    dues = [
        None if choice.from_lot is None else problem.ordered[choice.from_lot].due
        for choice in choices
        if choice.action == "order"
    ]
    known = [due for due in dues if due is not None]
    ready: datetime | None = max(known) if known and len(known) == len(dues) else None
    score = added([*scores, NOTHING if completed else NOTHING._replace(waiting=job.weight)])
    return JobPlan(
        key=job.key,
        completed=completed,
        score=score,
        choices=tuple(choices),
        ready=ready,
        why=why_job(choices, ready),
    )
