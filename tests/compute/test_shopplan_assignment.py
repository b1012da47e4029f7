"""The sparse best assignment: equal to the planner's proven one on whole matrices, and to a plain search
where shims are there several times; in stages, with arcs held back, and for what cannot be."""

import itertools
import random

import numpy as np
import pytest

from jobs.compute.planner.assignment import InfeasibleError, best_assignment
from jobs.compute.shopplan.assignment import best_arcs


def case(seed, *, most_rows=7):
    rng = np.random.default_rng(seed)
    rows = int(rng.integers(1, most_rows))
    columns = int(rng.integers(rows, 12))
    ranks = int(rng.integers(1, 5))
    layers = rng.integers(0, rng.choice([3, 10, 1_000]), (ranks, rows, columns))
    allowed = rng.random((rows, columns)) < rng.choice([0.4, 0.7])
    return layers, allowed, rng


def sums(cost, chosen):
    return cost[:, chosen].sum(axis=1).tolist()


@pytest.mark.parametrize("exact", [2**53, 2**24])
def test_sums_equal_those_of_the_whole_matrix(exact):
    compared = 0
    for seed in range(1_500):
        layers, allowed, rng = case(seed)
        row, column = np.nonzero(allowed)
        ones = np.ones(allowed.shape[1], dtype=np.int64)
        likely = rng.random(len(row)) < rng.choice([0.0, 0.5, 1.0])
        cost = layers[:, row, column]
        try:
            best = best_assignment(layers, allowed)
        except InfeasibleError:
            with pytest.raises(InfeasibleError):
                best_arcs(len(allowed), row, column, ones, cost, likely=likely)
            continue
        chosen = best_arcs(len(allowed), row, column, ones, cost, likely=likely, exact=exact)
        assert row[chosen].tolist() == list(range(len(allowed)))
        assert len(set(column[chosen].tolist())) == len(allowed)
        assert sums(cost, chosen) == layers[:, np.arange(len(best)), best].sum(axis=1).tolist(), seed
        compared += 1
    assert compared > 700


def test_columns_with_several_places_equal_trying_everything():
    for seed in range(400):
        rng = random.Random(seed)
        rows, columns = rng.randint(1, 5), rng.randint(1, 4)
        capacity = np.array([rng.choice([1, 2, 3]) for _ in range(columns)])
        ends = [(r, c) for r in range(rows) for c in range(columns) if rng.random() < 0.7]
        row, column = np.array(ends, dtype=np.int64).reshape(len(ends), 2).T
        cost = np.array([[rng.randrange(3) for _ in ends], [rng.randrange(9) for _ in ends]])
        best = None
        for picked in itertools.product(
            *([k for k, end in enumerate(ends) if end[0] == r] for r in range(rows))
        ):
            taken = np.bincount(column[list(picked)], minlength=columns) if picked else np.zeros(columns)
            if (taken <= capacity).all():
                total = sums(cost, list(picked))
                best = total if best is None else min(best, total)
        if best is None:
            with pytest.raises(InfeasibleError):
                best_arcs(rows, row, column, capacity, cost)
        else:
            chosen = best_arcs(rows, row, column, capacity, cost)
            assert sums(cost, chosen) == best, seed
            assert (np.bincount(column[chosen], minlength=columns) <= capacity).all()


def test_the_order_of_arcs_changes_no_sum():
    for seed in range(200):
        layers, allowed, rng = case(seed)
        allowed[:, : len(allowed)] |= np.eye(len(allowed), dtype=bool)
        row, column = np.nonzero(allowed)
        cost = layers[:, row, column]
        ones = np.ones(allowed.shape[1], dtype=np.int64)
        turned = rng.permutation(len(row))
        chosen = best_arcs(len(allowed), row, column, ones, cost)
        other = best_arcs(len(allowed), row[turned], column[turned], ones, cost[:, turned])
        assert sums(cost, chosen) == sums(cost[:, turned], other)


def test_no_rows_need_no_arcs():
    empty = np.empty(0, dtype=np.int64)
    assert best_arcs(0, empty, empty, empty, np.empty((1, 0), dtype=np.int64)).tolist() == []


def test_a_row_without_an_arc_is_refused():
    one = np.zeros(1, dtype=np.int64)
    with pytest.raises(InfeasibleError):
        best_arcs(2, one, one, np.ones(1, dtype=np.int64), np.zeros((1, 1), dtype=np.int64))


def test_a_rank_that_spreads_too_far_is_refused():
    row = np.array([0, 0])
    cost = np.array([[0, 2**40]])
    with pytest.raises(OverflowError):
        best_arcs(1, row, np.array([0, 1]), np.ones(2, dtype=np.int64), cost, exact=2**30)
