"""Shop problems and the plans of their parts as JSON, so that rows and workers can carry them.

Promise
    What comes back equals what went in. Lengths stay whole nanometres, a lash ratio its exact fraction, a
    date its offset. Reading something else raises KeyError, TypeError or ValueError.
"""

from dataclasses import asdict
from datetime import datetime
from fractions import Fraction
from typing import Any

from jobs.compute.planner.types import OwnShim, Uncertainty, Valve
from jobs.compute.shopplan.types import (
    Aside,
    OpenJob,
    OrderedLot,
    PartPlan,
    Pick,
    Pin,
    Proof,
    ShopLot,
    ShopProblem,
    ShopScore,
    TrayShim,
)

Json = dict[str, Any]


def problem_as_json(problem: ShopProblem) -> Json:
    """Everything of the problem, in types that JSON has."""
    return {
        "jobs": [_job_as_json(job) for job in problem.jobs],
        "lots": [asdict(lot) for lot in problem.lots],
        "ordered": [
            asdict(lot) | {"due": None if lot.due is None else lot.due.isoformat()} for lot in problem.ordered
        ],
        "catalogue": {family: list(sizes) for family, sizes in problem.catalogue.items()},
        "aside": [asdict(lot) for lot in problem.aside],
        "uncertainty": asdict(problem.uncertainty),
    }


def problem_from_json(data: Json) -> ShopProblem:
    """The problem that `problem_as_json` wrote."""
    return ShopProblem(
        jobs=tuple(_job_from_json(job) for job in data["jobs"]),
        lots=tuple(ShopLot(**lot) for lot in data["lots"]),
        ordered=tuple(
            OrderedLot(**(lot | {"due": None if lot["due"] is None else datetime.fromisoformat(lot["due"])}))
            for lot in data["ordered"]
        ),
        catalogue={family: tuple(sizes) for family, sizes in data["catalogue"].items()},
        aside=tuple(Aside(**lot) for lot in data["aside"]),
        uncertainty=Uncertainty(**data["uncertainty"]),
    )


def part_plan_as_json(plan: PartPlan) -> Json:
    """Everything of the plan, in types that JSON has."""
    return {
        "key": plan.key,
        "score": list(plan.score),
        "picks": [list(pick) for pick in plan.picks],
        "proof": list(plan.proof),
    }


def part_plan_from_json(data: Json) -> PartPlan:
    """The plan that `part_plan_as_json` wrote."""
    return PartPlan(
        key=data["key"],
        score=ShopScore(*data["score"]),
        picks=tuple(Pick(*pick) for pick in data["picks"]),
        proof=Proof(*data["proof"]),
    )


def _job_as_json(job: OpenJob) -> Json:
    return asdict(job) | {
        "valves": [asdict(valve) for valve in job.valves],
        "lash_ratio": str(job.lash_ratio),
        "tray": [asdict(shim) for shim in job.tray],
        "pins": [list(pin) for pin in job.pins],
    }


def _job_from_json(data: Json) -> OpenJob:
    parts: Json = {
        "valves": tuple(
            Valve(**(valve | {"shim": None if valve["shim"] is None else OwnShim(**valve["shim"])}))
            for valve in data["valves"]
        ),
        "lash_ratio": Fraction(data["lash_ratio"]),
        "tray": tuple(TrayShim(**shim) for shim in data["tray"]),
        "pins": tuple(Pin(*pin) for pin in data["pins"]),
    }
    return OpenJob(**(data | parts))
