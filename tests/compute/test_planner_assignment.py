"""The ranked assignment: one stage or many, its proof, and the first of equal answers."""

import random
from collections import Counter

import numpy as np
import pytest
import scipy

from jobs.compute.planner.assignment import InfeasibleError, NotProvenError, best_assignment
from jobs.compute.planner.model import build_model
from tests.compute.planner_cases import random_engine
from tests.compute.planner_oracles import first_best_columns


def random_matrix(rng, ranks, rows, columns, highest, density):
    """Few different costs, so that many assignments are equal; at least one assignment is possible."""
    allowed = np.array([[rng.random() < density for _ in range(columns)] for _ in range(rows)])
    allowed[np.arange(rows), rng.sample(range(columns), rows)] = True
    layers = np.array(
        [[[rng.randint(0, highest) for _ in range(columns)] for _ in range(rows)] for _ in range(ranks)],
        dtype=np.int64,
    )
    return layers, allowed


def matrices(count):
    for seed in range(count):
        rng = random.Random(seed)
        rows = rng.randint(1, 4)
        yield (
            seed,
            *random_matrix(
                rng,
                rng.randint(1, 3),
                rows,
                rng.randint(rows, 6),
                rng.choice([1, 2, 9]),
                rng.choice([0.4, 1]),
            ),
        )


@pytest.fixture
def solver_calls(monkeypatch):
    """Counts the stages: SciPy's solver is called once in each."""
    calls = []
    solver = scipy.optimize.linear_sum_assignment
    monkeypatch.setattr(
        scipy.optimize, "linear_sum_assignment", lambda cost: calls.append(cost.shape) or solver(cost)
    )
    return calls


def test_first_of_the_best_in_one_stage_and_in_many(solver_calls):
    stages = Counter()
    for seed, layers, allowed in matrices(600):
        expected = first_best_columns(layers, allowed)
        rows = layers.shape[1]
        # Just enough room for one layer at a time (after the first, with its digit for columns to be taken).
        narrow = max(2 * rows * (rows + 1) * (int(layers.max()) * rows + 1), 1)
        for exact in (2**53, narrow):
            solver_calls.clear()
            assert best_assignment(layers, allowed, exact=exact).tolist() == expected, f"matrix {seed}"
            stages[len(solver_calls)] += 1
    assert stages[1] >= 600
    assert stages[2] > 100
    assert stages[3] > 50


def test_engines_give_the_same_columns_in_one_stage_and_in_many(solver_calls):
    stages = Counter()
    for seed in range(100):
        model = build_model(random_engine(seed, valves=(30, 64)))
        if model is None or not model.rows:
            continue
        once = model.assign()
        solver_calls.clear()
        staged = model.assign(exact=2**36)
        kinds = np.array(model.alike)
        assert kinds[staged].tolist() == kinds[once].tolist(), f"random_engine({seed}, ...)"
        stages[len(solver_calls)] += 1
    assert stages[2] > 50


def test_the_largest_engines_take_more_than_one_stage(solver_calls):
    """So test_planner_best.py's engines of 90 to 100 valves go both ways."""
    stages = Counter()
    for seed in range(3_000, 3_012):
        model = build_model(random_engine(seed, valves=(90, 100), lots=(50, 150)))
        solver_calls.clear()
        model.assign()
        stages[len(solver_calls)] += 1
    assert stages[1] >= 3
    assert stages[2] >= 3


def test_costs_may_be_negative_and_a_row_may_be_shifted():
    layers = np.array([[[-5, 3, 0], [-9, -9, 4]]])
    allowed = np.ones((2, 3), dtype=bool)
    assert best_assignment(layers, allowed).tolist() == [0, 1]
    assert best_assignment(layers + 1_000, allowed).tolist() == [0, 1]


def test_no_rows_need_no_columns():
    assert best_assignment(np.empty((6, 0, 4), dtype=np.int64), np.empty((0, 4), dtype=bool)).tolist() == []


@pytest.mark.parametrize(
    "allowed",
    [
        [[False, False], [True, True]],
        [[True, False], [True, False]],
        [[True], [True]],
    ],
)
def test_rows_that_cannot_be_served_are_refused(allowed):
    allowed = np.array(allowed)
    with pytest.raises(InfeasibleError):
        best_assignment(np.zeros((1, *allowed.shape), dtype=np.int64), allowed)


def test_no_layers_are_refused():
    with pytest.raises(ValueError, match="layer"):
        best_assignment(np.empty((0, 1, 1), dtype=np.int64), np.ones((1, 1), dtype=bool))


@pytest.mark.parametrize("cost", [2**53, -(2**53), 2**51])
def test_costs_beyond_exactness_are_refused_not_rounded(cost):
    layers = np.array([[[0, cost], [0, 0]]])
    with pytest.raises(OverflowError):
        best_assignment(layers, np.ones((2, 2), dtype=bool))


def test_the_widest_costs_that_are_taken_are_still_told_apart():
    widest = 2**53 // 4 - 2
    layers = np.array([[[widest, widest - 1], [0, 0]]])
    assert best_assignment(layers, np.ones((2, 2), dtype=bool)).tolist() == [1, 0]


@pytest.mark.parametrize(
    ("rows", "answer"),
    [
        pytest.param([[1, 2, 9], [1, 5, 9]], [0, 1], id="a ring of exchanges is cheaper"),
        pytest.param([[4, 9, 1], [9, 4, 9]], [0, 1], id="a free column is cheaper"),
    ],
)
def test_a_wrong_answer_of_the_solver_fails_its_proof(monkeypatch, rows, answer):
    monkeypatch.setattr(scipy.optimize, "linear_sum_assignment", lambda _: (np.arange(2), np.array(answer)))
    with pytest.raises(NotProvenError):
        best_assignment(np.array([rows]), np.ones((2, 3), dtype=bool))


def test_a_forbidden_pair_in_the_solvers_answer_fails_its_proof(monkeypatch):
    monkeypatch.setattr(scipy.optimize, "linear_sum_assignment", lambda _: (np.arange(1), np.array([1])))
    with pytest.raises(NotProvenError):
        best_assignment(np.zeros((1, 1, 2), dtype=np.int64), np.array([[True, False]]))
