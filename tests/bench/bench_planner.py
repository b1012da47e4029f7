"""How long a plan takes, beside SciPy's linear_sum_assignment alone:  python -m tests.bench.bench_planner

Per size, medians over made-up engines (seeded, so that every run plans the same ones):
- plan: plan_engine, from the records to the records, sentences included;
- choose: the choosing alone, from the records to who gets which shim: what can matter, the matrix, its
  solution and the proof;
- whole: linear_sum_assignment alone on the whole matrix of the engine, a row per valve and a column per shim
  in engine and stock, the six ranks as digits of one cost: what solving the same matrix plainly takes when
  somebody has made it, without the proof and without the first of equals;
- handed: linear_sum_assignment alone on what is left of that and handed to it, all matrices of an engine
  together; 0 where every valve was settled without it. How many engines needed it stands behind.
The multiples are choose and plan beside whole, and choose beside handed, engine by engine where that is
not 0. The last is no cost of anything: the less is left to the solver, the larger it is.
"""

import random
import statistics
import sys
import time
from collections.abc import Callable, Sequence
from fractions import Fraction
from typing import Any
from unittest import mock

import numpy as np
import numpy.typing as npt
from scipy.optimize import linear_sum_assignment

from jobs.compute.planner import (
    Lot,
    OwnShim,
    Problem,
    Score,
    Valve,
    assignment,
    default_aim,
    plan_engine,
    verify,
)
from jobs.compute.planner.solve import chosen_shims

FloatArray = npt.NDArray[np.float64]

THOU, STEP = 25_400, 25_000
CATALOGUE = tuple(range(2_000_000, 3_200_001, STEP))
ENGINES, REPEATS = 40, 5
SIZES = ((16, 300), (48, 300), (64, 5_000))
"""Valves and lots. The bars: 2 ms for the first, 20 ms for the second; the third is the API's limit."""


def engine(rng: random.Random, valves: int, lots: int, out_of_spec: float) -> Problem:
    """An engine in thou: intake 6 to 10, exhaust 10 to 14, shims around 2.6 mm, this share out of spec."""
    made = []
    for number in range(valves):
        low = 6 if number % 2 else 10
        called = rng.randrange(low, low + 5)
        if rng.random() < out_of_spec:
            called = low - rng.randrange(1, 5) if rng.random() < 0.8 else low + 5 + rng.randrange(2)
        shim = 2_600_000 + round(rng.gauss(0, 6)) * STEP + rng.choice([0, 0, 5_000, -10_000])
        made.append(
            Valve(
                label=f"V{number}",
                min_nm=low * THOU,
                max_nm=(low + 4) * THOU,
                aim_nm=default_aim(low * THOU, (low + 4) * THOU),
                passes_nm=called * THOU,
                stops_nm=(called + 1) * THOU,
                shim=OwnShim(thickness_nm=shim, known_by=rng.choice(["measured", "marked"])),
            )
        )
    stock = []
    for _ in range(lots):
        if rng.random() < 0.5:
            stock.append(
                Lot(thickness_nm=rng.choice(CATALOGUE), condition="new", quantity=rng.randrange(1, 6))
            )
        else:
            thickness = rng.randrange(2_000_000, 3_200_001, 1_000)
            stock.append(Lot(thickness_nm=thickness, condition="used", quantity=rng.randrange(1, 3)))
    return Problem(valves=tuple(made), lots=tuple(stock), catalogue_nm=CATALOGUE, lash_ratio=Fraction(1))


def whole_matrix(problem: Problem) -> FloatArray:
    """A row per valve; a column per shim in engine and stock, then per valve its best purchase, then none."""
    valves, unsure = problem.valves, problem.uncertainty
    own = [(v.shim.thickness_nm, unsure.of_own(v.shim)) for v in valves if v.shim is not None]
    shims = [(*shim, 0) for shim in own]
    shims += [
        (lot.thickness_nm, unsure.of_condition(lot.condition), 1 if lot.condition == "used" else 2)
        for lot in problem.lots
        for _ in range(lot.quantity)
    ]
    sizes = [(size, unsure.unworn_nm, 0) for size in problem.catalogue_nm]
    rows = len(valves)
    spec = np.array([(v.min_nm, v.max_nm, v.aim_nm) for v in valves]).T[:, :, None]
    read = np.array([(v.passes_nm, v.stops_nm) for v in valves]).T[:, :, None]
    known = np.array(own).T[:, :, None]
    low, high, aim = spec
    deviation = int((high - low).max()) * rows + 1
    opened = (2 * rows + 1) * deviation
    not_guaranteed, bought, unresolved = (opened * (rows + 1) ** rank for rank in (1, 2, 3))

    def cost(shims: list[tuple[int, int, int]]) -> FloatArray:
        thickness, uncertainty, stock_cost = np.array(shims).T
        passes, stops = read + known[0] - thickness
        play = known[1] + uncertainty
        sure = (passes - play >= low) & (stops + play <= high)
        ranked = opened + ~sure * not_guaranteed + stock_cost * deviation + np.abs(passes - aim)
        return np.where((low <= passes) & (passes <= high), ranked, np.inf)

    needing = ((read[0] < low) | (read[0] > high))[:, 0]
    matrix = np.full((rows, len(shims) + 2 * rows), np.inf)
    each = np.arange(rows)
    matrix[:, : len(shims)] = cost(shims)
    matrix[each, each] = np.where(needing, np.inf, 0)
    matrix[each, len(shims) + each] = bought + cost(sizes).min(axis=1)
    matrix[each, len(shims) + rows + each] = np.where(needing, unresolved + opened, np.inf)
    return matrix


def agree(problem: Problem, matrix: FloatArray) -> bool:
    """Whether the plan costs in ranks what the best assignment of the whole matrix does."""
    rows, score = len(problem.valves), plan_engine(problem).score
    worth, total = 1, 0
    highest = {"stock_cost": 2, "deviation_nm": max(v.max_nm - v.min_nm for v in problem.valves)}
    for rank in reversed(Score._fields):
        total += getattr(score, rank) * worth
        worth *= highest.get(rank, 1) * rows + 1
    chosen = matrix[linear_sum_assignment(matrix)]
    return total == sum(map(int, chosen.tolist()))


def handed_to_the_solver(problem: Problem) -> list[FloatArray]:
    """What planning this engine gives to the solver: no matrix, one, or two where ranks are staged."""
    with mock.patch.object(assignment, "linear_sum_assignment", wraps=linear_sum_assignment) as solver:
        plan_engine(problem)
    return [call.args[0] for call in solver.call_args_list]


def median_ms(act: Callable[[Any], object], subjects: Sequence[object]) -> float:
    """Median over all subjects and repeats, in milliseconds."""
    taken = []
    for _ in range(REPEATS):
        for subject in subjects:
            start = time.perf_counter_ns()
            act(subject)
            taken.append(time.perf_counter_ns() - start)
    return statistics.median(taken) / 1e6


def solve_bare(matrices: Sequence[FloatArray]) -> None:
    for matrix in matrices:
        linear_sum_assignment(matrix)


def main() -> int:
    print(
        f"{'valves':>6} {'lots':>5} {'out':>5} {'plan ms':>8} {'choose ms':>10} {'whole ms':>9}"
        f" {'handed ms':>10} {'solved':>7} {'plan/whole':>11} {'choose/whole':>13} {'choose/handed':>14}"
    )
    for valves, lots in SIZES:
        for out_of_spec in (0.3, 0.9):
            rng = random.Random(f"{valves} {lots} {out_of_spec}")
            problems = [engine(rng, valves, lots, out_of_spec) for _ in range(ENGINES)]
            faults = [fault for problem in problems for fault in verify(problem, plan_engine(problem))]
            if faults:
                print(*faults, sep="\n", file=sys.stderr)
                return 1
            matrices = [whole_matrix(problem) for problem in problems]
            if not all(map(agree, problems, matrices)):
                print("the plan's score is not that of the whole matrix", file=sys.stderr)
                return 1
            handed = [handed_to_the_solver(problem) for problem in problems]
            plan, choose = median_ms(plan_engine, problems), median_ms(chosen_shims, problems)
            whole = median_ms(linear_sum_assignment, matrices)
            left = [(p, solved) for p, solved in zip(problems, handed, strict=True) if solved]
            beside = [median_ms(chosen_shims, [p]) / median_ms(solve_bare, [each]) for p, each in left]
            print(
                f"{valves:>6} {lots:>5} {out_of_spec:>5.0%} {plan:>8.3f} {choose:>10.3f} {whole:>9.3f}"
                f" {median_ms(solve_bare, handed):>10.3f} {len(left):>4}/{ENGINES}"
                f" {plan / whole:>10.1f}x {choose / whole:>12.1f}x {statistics.median(beside or [0]):>13.1f}x"
            )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
