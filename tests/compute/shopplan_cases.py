"""Shops for the tests of the shop plan, made from a seed: the same number always makes the same shop."""

import random
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from functools import lru_cache

from jobs.compute.planner import OwnShim, Uncertainty, Valve
from jobs.compute.shopplan import (
    OpenJob,
    OrderedLot,
    Pin,
    ShopLot,
    ShopPlan,
    ShopProblem,
    TrayShim,
    in_one_tray,
    plan_shop,
)
from tests.compute.planner_cases import RATIOS, STEP, THOU

MORNING = datetime(2031, 3, 3, 8, tzinfo=UTC)


def random_shop(
    seed, *, jobs=(2, 4), valves=(1, 8), lots=(0, 8), families=2, spans=(8, 16, 30), pins=True, benches=True
):
    """A shop with everything that makes planning hard: own shims near each other and apart, two families,
    stock with repeats and shortages, shims in trays and on order, every `adjust`, unknown shims, readings of
    0, lash ratios, catalogues with gaps or none, weights that tie, pins, engines that are not on the bench.
    """
    rng = random.Random(seed)
    codes = [f"F{number}" for number in range(rng.randint(1, families))]
    start = rng.randrange(2_200_000, 2_600_001, STEP)
    span = rng.choice(spans)  # grid steps that own shims spread over: few make many swaps
    needing = rng.choice([0.2, 0.5, 0.8])
    adjusts = rng.choice([("auto",), ("auto",) * 6 + ("always", "never"), ("auto", "always", "never")])
    off_bench = rng.choice([0.0, 0.0, 0.4]) if benches else 0.0
    unknown = rng.choice([0.0, 0.08])
    made = []
    for number in range(rng.randint(*jobs)):
        made.append(
            OpenJob(
                key=f"J{number}",
                name=f"bay {number + 1}",
                family=rng.choice(codes),
                valves=tuple(
                    _valve(rng, f"V{place}", start, span, needing, rng.choice(adjusts), unknown)
                    for place in range(rng.randint(*valves))
                ),
                lash_ratio=Fraction(rng.choice(RATIOS)),
                weight=rng.choice([1, 1, 1, 2, 3]),
                on_bench=rng.random() >= off_bench,
                tray=in_one_tray(
                    [
                        TrayShim(
                            thickness_nm=_thickness(rng, start, span),
                            known_by=rng.choice(["measured", "marked"]),
                            quantity=rng.choice([1, 1, 2]),
                        )
                        for _ in range(rng.choice([0, 0, 0, 1, 2]))
                    ],
                    Uncertainty(),
                ),
            )
        )
    stock = []
    for _ in range(rng.randint(*lots)):
        stock.append(
            ShopLot(
                family=rng.choice(codes),
                thickness_nm=_thickness(rng, start, span),
                condition=rng.choice(["new", "used"]),
                quantity=rng.choice([1, 1, 2]),
            )
        )
        if rng.random() < 0.2:
            stock.append(rng.choice(stock))
    # From numbers of its own, so that the shops of all seeds stay as they were but for this.
    apart = random.Random(f"{seed}, held by hand")
    stock = [replace(lot, only=apart.choice(made).key) if apart.random() < 0.15 else lot for lot in stock]
    ordered = tuple(
        OrderedLot(
            family=rng.choice(codes),
            thickness_nm=start + rng.randrange(-3, span + 3) * STEP,
            quantity=rng.choice([1, 1, 2]),
            due=rng.choice([None, MORNING + timedelta(days=rng.randrange(1, 9))]),
        )
        for _ in range(rng.choice([0, 0, 1, 4]))
    )
    problem = ShopProblem(
        jobs=tuple(made),
        lots=tuple(stock),
        ordered=ordered,
        catalogue={code: _catalogue(rng, start, span) for code in codes if rng.random() < 0.8},
        uncertainty=rng.choice([Uncertainty(), Uncertainty(micrometer_nm=0, unworn_nm=12_000)]),
    )
    return _with_pins(rng, problem) if pins and rng.random() < 0.3 else problem


def _thickness(rng, start, span):
    thickness = start + rng.randrange(-4, span + 4) * STEP
    return thickness + (rng.randrange(-12_000, 12_001, 1_000) if rng.random() < 0.3 else 0)


def _valve(rng, label, start, span, needing, adjust, unknown):
    unit, (low, high) = rng.choice([(10_000, (15, 20)), (10_000, (20, 30)), (THOU, (6, 8)), (THOU, (6, 10))])
    leaf = unit
    if rng.random() < needing:
        beyond = rng.randrange(1, 5)
        passes = (low - beyond if rng.random() < 0.7 else high + beyond) * leaf
    else:
        passes = rng.randrange(low, high + 1) * leaf
    passes = 0 if rng.random() < 0.03 else max(passes, 0)
    thickness = start + rng.randrange(span) * STEP
    if rng.random() < 0.3:
        thickness += rng.randrange(-12_000, 12_001, 1_000)
    known = rng.random() >= unknown
    return Valve(
        label=label,
        min_nm=low * unit,
        max_nm=high * unit,
        aim_nm=low * unit + 3 * (high - low) * unit // 5,
        passes_nm=passes,
        stops_nm=passes + leaf,
        shim=OwnShim(thickness_nm=thickness, known_by=rng.choice(["measured", "marked"])) if known else None,
        adjust=adjust,
    )


def _catalogue(rng, start, span):
    every = [start + step * STEP for step in range(-6, span + 6)]
    return tuple(rng.sample(every, rng.randrange(1, len(every))))


def _with_pins(rng, problem):
    """Some valves of one job settled, by whatever would do for them: their own, stock, another job's."""
    number = rng.randrange(len(problem.jobs))
    job = problem.jobs[number]
    gone, pins, lots = set(), [], list(problem.lots)
    kept = set()
    for valve in rng.sample(job.valves, rng.randint(0, len(job.valves))):
        if valve.shim is None or valve.adjust == "never":
            continue
        after = {
            thickness: valve.passes_nm + job.lash_ratio * (valve.shim.thickness_nm - thickness)
            for thickness in range(1_900_000, 3_000_000, 1_000)
        }
        fits = {nm for nm, clearance in after.items() if valve.min_nm <= clearance <= valve.max_nm}
        givers = [
            (other.key, given.label, given.shim.thickness_nm)
            for other in problem.jobs
            if other.family == job.family
            for given in other.valves
            if given.shim is not None
            and given.adjust != "never"
            and given.shim.thickness_nm in fits
            and (other.key, given.label) not in gone
            and (other.key, given.label) not in kept
            and (other.key, given.label) != (job.key, valve.label)
        ]
        stock = [
            index
            for index, lot in enumerate(lots)
            if lot.family == job.family and lot.thickness_nm in fits and lot.quantity > 1
        ]
        if givers and rng.random() < 0.5:
            key, label, thickness = rng.choice(givers)
            gone.add((key, label))
            pins.append(Pin(valve.label, "swap", thickness, None, key, label))
        elif stock:
            lot = lots[index := rng.choice(stock)]
            lots[index] = replace(lot, quantity=lot.quantity - 1)
            pins.append(Pin(valve.label, "stock", lot.thickness_nm, lot.condition))
        elif (job.key, valve.label) not in gone and valve.min_nm <= valve.passes_nm <= valve.max_nm:
            kept.add((job.key, valve.label))
            pins.append(Pin(valve.label, "keep", valve.shim.thickness_nm))
    settled = (*problem.jobs[:number], replace(job, pins=tuple(pins)), *problem.jobs[number + 1 :])
    return replace(problem, jobs=settled, lots=tuple(lots))


@lru_cache(maxsize=1_000)
def planned(seed: int) -> tuple[ShopProblem, ShopPlan]:
    """`random_shop(seed)` and its plan: many rules are looked at in the same shops."""
    problem = random_shop(seed)
    return problem, plan_shop(problem)
