"""A shop plan as it is kept: ids and whole nanometres, with every sentence that its pages show.

Stand-ins for engines that are gone (selectors/shop_problem.py) are left out of it.
"""

from collections.abc import Iterable, Sequence
from typing import Any

from jobs.compute.shopplan import (
    JobPlan,
    OneMore,
    ShopChoice,
    ShopPlan,
    ShopProblem,
)
from jobs.compute.shopplan.explain import why_plan
from jobs.selectors.shop_problem import GONE, SiteProblem

Json = dict[str, Any]


def places_of(asked: SiteProblem) -> Json:
    """Where each lot lies, which purchase line each ordered one is of, and which jobs were left out."""
    return {
        "lots": [
            {"place": str(balance.place_id), "code": balance.place.code, "balance": balance.pk}
            for balance in asked.balances
        ],
        "ordered": [
            {"line": str(line.pk), "list": str(line.purchase_list_id), "number": line.purchase_list.number}
            for line in asked.lines
        ],
        "moved": sorted(str(pk) for pk in asked.moved),
        "left_out": [{"job": str(entry.job.pk), "because": entry.because} for entry in asked.left_out],
        "accepted": sorted(job.key for job in asked.problem.jobs if job.pins),
    }


def result_of(
    problem: ShopProblem, places: Json, plan: ShopPlan, nearest: ShopPlan, more: Sequence[OneMore]
) -> Json:
    """The plan, what it is better by than the nearest shim first, and what one more shim would change."""
    family = {job.key: job.family for job in problem.jobs}
    engines = [made for made in _real(plan.jobs) if made.choices]
    carried = [way for way in plan.hand_overs if not way.to_job.startswith(GONE)]
    return {
        "score": plan.score._asdict(),
        "proof": plan.proof._asdict(),
        "why": list(why_plan(engines, carried, plan.to_buy, plan.proof)),
        "jobs": [_job(made, family[made.key], places) for made in engines],
        "hand_overs": [way._asdict() for way in carried],
        "to_buy": [purchase._asdict() for purchase in plan.to_buy],
        "to_measure": [list(pair) for pair in plan.to_measure],
        "nearest": {
            "completed": sum(made.completed for made in _real(nearest.jobs) if made.choices),
            "score": nearest.score._asdict(),
        },
        "one_more": [_one_more(one) for one in more],
    }


def _real(jobs: Iterable[JobPlan]) -> list[JobPlan]:
    return [made for made in jobs if not made.key.startswith(GONE)]


def _job(made: JobPlan, family: str, places: Json) -> Json:
    return {
        "job": made.key,
        "family": family,
        "completed": made.completed,
        "accepted": made.key in places["accepted"],
        "ready": None if made.ready is None else made.ready.isoformat(),
        "why": made.why,
        "score": made.score._asdict(),
        "choices": [_choice(choice, places) for choice in made.choices],
    }


def _choice(choice: ShopChoice, places: Json) -> Json:
    said = {name: getattr(choice, name) for name in ShopChoice.__dataclass_fields__}
    lot = choice.from_lot
    said["bin"] = places["lots"][lot]["code"] if choice.action == "stock" and lot is not None else None
    return said


def _one_more(one: OneMore) -> Json:
    return {
        "family": one.family,
        "thickness_nm": one.thickness_nm,
        "condition": one.condition,
        "completes": [key for key in one.completes if not key.startswith(GONE)],
        "instead": [key for key in one.instead if not key.startswith(GONE)],
        "say": one.say,
    }
