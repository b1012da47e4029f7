"""Engines of the planner's tests as a calculator would send them, and its answers as plans again."""

import random
from dataclasses import replace
from fractions import Fraction

from inventory.compute.lengths import LengthError, Unit, from_nm, parse
from jobs.compute.planner import Choice, LeftOver, Plan, Score, ToBuy, Uncertainty
from tests.compute.planner_cases import random_engine

STANDARD = Uncertainty(micrometer_nm=4_000, unworn_nm=5_000)
"""DESIGN.md: 0.004 mm by micrometer, 0.005 mm for an unworn marking."""


def engine(seed, **size):
    """A random engine with the shop's uncertainties."""
    return replace(random_engine(seed, **size), uncertainty=STANDARD)


def request_of(problem, seed=0):
    """The body of POST /plans: each length in a unit chosen at random among those that give it exactly."""
    rng = random.Random(seed)

    def length(nm):
        for unit in rng.sample(list(Unit), len(Unit)):
            try:
                return from_nm(nm, unit).as_json()
            except LengthError:
                continue
        raise AssertionError("millimetres give every length")

    def valve(own):
        return {
            "label": own.label,
            "spec": {"min": length(own.min_nm), "max": length(own.max_nm)},
            "aim": length(own.aim_nm),
            "adjust": own.adjust,
            "clearance": {"passes": length(own.passes_nm), "stops": length(own.stops_nm)},
            "shim": own.shim and {"thickness": length(own.shim.thickness_nm), "known_by": own.shim.known_by},
        }

    return {
        "stock": [
            {"thickness": length(lot.thickness_nm), "condition": lot.condition, "quantity": lot.quantity}
            for lot in problem.lots
        ],
        "catalogue": [length(nm) for nm in problem.catalogue_nm],
        "lash_ratio": decimal(problem.lash_ratio),
        "valves": [valve(own) for own in problem.valves],
    }


def decimal(ratio: Fraction) -> str:
    """The ratio as a decimal text; those of the tests have six decimals at most."""
    text = f"{int(ratio * 10**6):07d}"
    return f"{text[:-6]}.{text[-6:]}".rstrip("0").rstrip(".")


def nm(length):
    return None if length is None else parse(length["value"], length["unit"]).nm


def plan_of(answer) -> Plan:
    """The answer as the planner's record, so that it can be verified without the planner."""

    def choice(valve):
        shim = valve["shim"] or {"thickness": None, "from": None}
        source = shim["from"] or {}
        after = valve["clearance_after"] or {}
        return Choice(
            label=valve["label"],
            verdict=valve["verdict"],
            action=valve["action"],
            thickness_nm=nm(shim["thickness"]),
            condition=shim.get("condition"),
            from_valve=source.get("valve"),
            from_lot=source.get("stock"),
            low_nm=nm(after.get("low")),
            called_nm=nm(after.get("called")),
            high_nm=nm(after.get("high")),
            guaranteed=valve["guaranteed"],
            why=valve["why"],
        )

    return Plan(
        score=Score(**answer["score"]),
        choices=tuple(choice(valve) for valve in answer["valves"]),
        left_over=tuple(LeftOver(nm(left["thickness"]), left["from"]) for left in answer["left_over"]),
        to_buy=tuple(ToBuy(nm(size["thickness"]), size["quantity"]) for size in answer["to_buy"]),
        to_measure=tuple(answer["to_measure"]),
    )
