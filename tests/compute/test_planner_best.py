"""No plan is better: the planner against optima that were found without it, on engines made from seeds.

`random_engine(seed)` is named in every failure, so one engine can be taken up alone.
"""

from collections import Counter
from dataclasses import replace

import pytest

from jobs.compute.planner import Lot, plan_engine, verify
from tests.compute.planner_cases import planned, random_engine
from tests.compute.planner_oracles import by_network_simplex, by_shortest_paths, by_trying_everything


@pytest.mark.parametrize("first", range(0, 1_000, 250))
def test_score_equals_the_optimum_by_shortest_paths_on_1000_engines(first):
    for seed in range(first, first + 250):
        problem, plan = planned(seed)
        assert plan.score == by_shortest_paths(problem), f"random_engine({seed})"
        assert verify(problem, plan) == [], f"random_engine({seed})"


def test_score_equals_the_optimum_by_network_simplex():
    for seed in range(2_000, 2_200):
        problem = random_engine(seed)
        assert plan_engine(problem).score == by_network_simplex(problem), f"random_engine({seed})"


def test_score_equals_the_optimum_on_the_largest_engines():
    # The API takes up to 64 valves. Those with more have too many figures for one exact cost and are solved
    # in stages (see test_planner_assignment.py).
    for seed in range(3_000, 3_012):
        problem = random_engine(seed, valves=((56, 64), (90, 100))[seed % 2], lots=(50, 150))
        plan = plan_engine(problem)
        assert plan.score == by_network_simplex(problem), f"random_engine({seed}, ...)"
        assert verify(problem, plan) == []


def test_plan_is_the_first_of_the_best_by_trying_everything():
    """Not only the score: of equal plans the one that comes first in the documented order."""
    for seed in range(4_000, 5_500):
        problem = random_engine(seed, valves=(2, 5), lots=(0, 5), sizes=6)
        plan = plan_engine(problem)
        score, picked = by_trying_everything(problem)
        assert plan.score == score, f"random_engine({seed}, ...)"
        movable = [
            (choice.action, choice.thickness_nm)
            for choice, valve in zip(plan.choices, problem.valves, strict=True)
            if valve.shim is not None and valve.adjust != "never"
        ]
        assert movable == list(picked), f"random_engine({seed}, ...)"


def test_the_engines_hold_what_makes_planning_hard():
    """So that the tests above are about something: every action and the rare ways occur among them."""
    seen: Counter[str] = Counter()
    for seed in range(1_000):
        problem, plan = planned(seed)
        seen.update(choice.action for choice in plan.choices)
        seen["no clearance"] += any(valve.passes_nm == 0 for valve in problem.valves)
        seen["lash ratio"] += problem.lash_ratio != 1
        seen["not guaranteed"] += plan.score.not_guaranteed > 0
        seen["buying forbidden"] += not problem.catalogue_nm
        seen["off the grid"] += any(
            valve.shim and valve.shim.thickness_nm % 5_000 for valve in problem.valves
        )
        seen["in inches"] += any(valve.min_nm % 12_700 == 0 < valve.min_nm for valve in problem.valves)
        seen["opened though in spec"] += any(
            valve.adjust == "auto"
            and choice.verdict in ("in_spec", "at_limit")
            and choice.action in ("swap", "stock", "buy")
            for choice, valve in zip(plan.choices, problem.valves, strict=True)
        )
        seen["alike lots"] += len({(lot.thickness_nm, lot.condition) for lot in problem.lots}) < len(
            problem.lots
        )
    rare = {kind: times for kind, times in seen.items() if times < 40}
    assert len(seen) == 14
    assert not rare, f"hardly tested: {rare}"


def test_the_same_engine_twice_gives_an_equal_plan():
    for seed in range(200):
        assert plan_engine(random_engine(seed)) == planned(seed)[1]


def as_fitted(plan):
    """The plan without the places of lots in the problem, which is all that their order may change."""
    return plan.score, tuple(choice._replace(from_lot=None) for choice in plan.choices), plan.left_over


def test_the_order_of_lots_and_sizes_changes_nothing():
    for seed in range(300):
        problem, plan = planned(seed)
        turned = replace(
            problem,
            lots=problem.lots[::-1],
            catalogue_nm=(*reversed(problem.catalogue_nm), *problem.catalogue_nm[:3]),
        )
        assert as_fitted(plan_engine(turned)) == as_fitted(plan), f"random_engine({seed})"


def test_the_order_of_valves_changes_no_score():
    for seed in range(300):
        problem, plan = planned(seed)
        turned = replace(problem, valves=problem.valves[::-1])
        assert plan_engine(turned).score == plan.score, f"random_engine({seed})"


def test_a_lot_split_in_two_changes_nothing():
    for seed in range(200):
        problem, plan = planned(seed)
        split = replace(
            problem,
            lots=tuple(
                part
                for lot in problem.lots
                for part in ([replace(lot, quantity=1)] * lot.quantity if lot.quantity > 1 else [lot])
            ),
        )
        assert as_fitted(plan_engine(split)) == as_fitted(plan), f"random_engine({seed})"


def test_more_to_choose_from_never_makes_a_plan_worse():
    for seed in range(300):
        problem, plan = planned(seed)
        best = plan.score
        more_stock = replace(
            problem, lots=(*problem.lots, Lot(thickness_nm=2_500_000, condition="used", quantity=1))
        )
        more_sizes = replace(problem, catalogue_nm=(*problem.catalogue_nm, 2_500_000))
        assert plan_engine(more_stock).score <= best, f"random_engine({seed})"
        assert plan_engine(more_sizes).score <= best, f"random_engine({seed})"
