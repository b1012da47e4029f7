"""Engines for the planner's tests, made from a seed: the same number always makes the same engine."""

import random
from fractions import Fraction
from functools import lru_cache

from jobs.compute.planner import Lot, OwnShim, Plan, Problem, Uncertainty, Valve, plan_engine

MM, THOU, STEP = 1_000_000, 25_400, 25_000
RATIOS = ("1", "1", "1", "1.5", "0.8", "1.333333", "0.1", "7.25")


def valve(
    label,
    *,
    passes,
    shim=2_600_000,
    stops=None,
    spec=(150_000, 200_000),
    aim=180_000,
    adjust="auto",
    known_by="measured",
):
    """A valve with spec 0.15 to 0.20 mm whose next leaf is 0.01 mm above; lengths in nm."""
    return Valve(
        label=label,
        min_nm=spec[0],
        max_nm=spec[1],
        aim_nm=aim,
        passes_nm=passes,
        stops_nm=passes + 10_000 if stops is None else stops,
        shim=None if shim is None else OwnShim(thickness_nm=shim, known_by=known_by),
        adjust=adjust,
    )


def problem(*valves, lots=(), catalogue=(), ratio="1", uncertainty=None):
    """An engine; lots as (thickness, condition, quantity)."""
    return Problem(
        valves=valves,
        lots=tuple(
            Lot(thickness_nm=thickness, condition=condition, quantity=quantity)
            for thickness, condition, quantity in lots
        ),
        catalogue_nm=tuple(catalogue),
        lash_ratio=Fraction(ratio),
        uncertainty=uncertainty or Uncertainty(),
    )


def random_engine(seed, *, valves=(2, 24), lots=(0, 60), sizes=40):
    """An engine with everything that makes planning hard: own shims on and off the step grid, readings and
    specs in inches and in millimetres, stock with repeats and shortages, every `adjust`, unknown shims,
    readings of 0, lash ratios, catalogues with gaps, with too short a range or empty.
    """
    rng = random.Random(seed)
    count = rng.randint(*valves)
    span = rng.choice([4, 8, 20])  # grid steps that the own shims spread over: few make many swaps
    start = rng.randrange(2_200_000, 2_600_001, STEP)
    needing = rng.choice([0.2, 0.5, 0.9])
    adjusts = rng.choice([("auto",), ("auto",) * 6 + ("always", "never"), ("auto", "always", "never")])
    return Problem(
        valves=tuple(
            _random_valve(rng, f"V{number}", start, span, needing, rng.choice(adjusts))
            for number in range(count)
        ),
        lots=_random_lots(rng, rng.randint(*lots), start, span),
        catalogue_nm=_random_catalogue(rng, start, span, sizes),
        lash_ratio=Fraction(rng.choice(RATIOS)),
        uncertainty=rng.choice([Uncertainty(), Uncertainty(micrometer_nm=0, unworn_nm=12_000)]),
    )


def _random_valve(rng, label, start, span, needing, adjust):
    if rng.random() < 0.5:
        unit, (low, high) = 10_000, rng.choice([(15, 20), (10, 15), (20, 30), (0, 10)])
    else:
        unit, (low, high) = THOU, rng.choice([(6, 8), (4, 6), (6, 10), (10, 14)])
    leaf = rng.choice([10_000, THOU])
    low_nm, high_nm = low * unit, high * unit
    if rng.random() < needing:
        beyond = rng.randrange(1, 6) * leaf
        passes = low_nm // leaf * leaf - beyond if rng.random() < 0.6 else high_nm // leaf * leaf + beyond
    else:
        passes = rng.randrange(-(-low_nm // leaf), high_nm // leaf + 1) * leaf
    passes = max(passes, 0)
    thickness = start + rng.randrange(span) * STEP
    if rng.random() < 0.4:
        thickness += rng.randrange(-12_000, 12_001, rng.choice([1, 1_000, 2_540]))
    known = rng.random() < 0.93
    return Valve(
        label=label,
        min_nm=low_nm,
        max_nm=high_nm,
        aim_nm=low_nm + rng.choice([3, 3, 3, 0, 5]) * (high_nm - low_nm) // 5,
        passes_nm=passes,
        stops_nm=passes + leaf * rng.choice([1, 1, 1, 2]),
        shim=OwnShim(thickness_nm=thickness, known_by=rng.choice(["measured", "marked"])) if known else None,
        adjust=adjust,
    )


def _random_lots(rng, count, start, span):
    lots = []
    for _ in range(count):
        condition = rng.choice(["new", "used"])
        thickness = start + rng.randrange(-6, span + 6) * STEP
        if condition == "used" and rng.random() < 0.6:
            thickness += rng.randrange(-12_000, 12_001, 1_000)
        lots.append(Lot(thickness_nm=thickness, condition=condition, quantity=rng.choice([1, 1, 2, 5])))
        if rng.random() < 0.2:
            lots.append(rng.choice(lots))
    return tuple(lots)


def _random_catalogue(rng, start, span, sizes):
    kind = rng.random()
    if kind < 0.2:
        return ()
    reach = range(-8, span + 8) if kind < 0.7 else range(span // 2)
    every = [start + step * STEP for step in reach]
    return tuple(rng.sample(every, min(len(every), sizes, rng.randrange(1, 60))))


@lru_cache(maxsize=1_000)
def planned(seed: int) -> tuple[Problem, Plan]:
    """`random_engine(seed)` and its plan: many rules are looked at in the same engines."""
    engine = random_engine(seed)
    return engine, plan_engine(engine)
