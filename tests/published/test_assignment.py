"""The planner's own solving core, `best_assignment`, against published assignment problems.

Sources stand beside each check. OR-Library: J. E. Beasley, "OR-Library: distributing test problems by
electronic mail", J. Opl Res. Soc. 41 (1990) 1069-1072; the optima are those of its file assignopt.txt. The
instances lie beside the checkout, in ../shared/data/orlib; COLDGAP_TEST_DATA names another folder that
holds orlib/. Their licence and hashes are in the SOURCE.md there.
"""

import hashlib
import itertools
import os
from pathlib import Path

import networkx
import numpy as np
import pytest

from jobs.compute.planner import OwnShim, Problem, Valve, plan_engine, verify
from jobs.compute.planner.assignment import InfeasibleError, best_assignment
from tests.compute.planner_cases import problem

REPOSITORY = Path(__file__).resolve().parents[2]
NO = None  # a pair that is not allowed


def orlib(name):
    """Size and costs of an OR-Library instance. Line breaks mean nothing in these files."""
    folder = Path(os.environ.get("COLDGAP_TEST_DATA", REPOSITORY.parent / "shared" / "data"))
    path = folder / "orlib" / f"{name}.txt"
    if not path.is_file():
        pytest.fail(
            f"The OR-Library instance {path} is absent: put the folder `shared/data` beside the checkout, "
            "or name the folder that holds orlib/ in COLDGAP_TEST_DATA."
        )
    content = path.read_bytes()
    size, *costs = map(int, content.split())
    return np.array(costs, dtype=np.int64).reshape(size, size), hashlib.sha256(content).hexdigest()


def solved(rows, *, largest=False, exact=2**53):
    """(optimum, column per row) of one cost matrix; NO is a pair that is not allowed."""
    allowed = np.array([[cost is not NO for cost in row] for row in rows])
    costs = np.array([[cost or 0 for cost in row] for row in rows], dtype=np.int64)
    picked = best_assignment(-costs[None] if largest else costs[None], allowed, exact=exact)
    return int(costs[np.arange(len(rows)), picked].sum()), picked.tolist()


@pytest.mark.parametrize(
    ("name", "digest", "first", "total", "trace", "least", "most"),
    [
        ("assign100", "bdfe42b2fae67790", (52, 89, 40, 77, 89), 509_632, 4_622, 305, 9_900),
        ("assign200", "55e100948dafe1bf", (69, 96, 24, 88, 84), 2_038_676, 9_592, 475, 19_939),
        ("assign300", "d51cae20078a3792", (4, 18, 9, 99, 85), 4_594_286, 14_194, 626, 29_959),
        ("assign400", "9620f0e850153c0d", (92, 55, 36, 55, 34), 8_164_288, 20_568, 804, 39_977),
    ],
)
def test_or_library_optima(name, digest, first, total, trace, least, most):
    """`least` is published in assignopt.txt; the other figures check that the file was read as it is, and
    `most` was computed with SciPy 1.17.1's linear_sum_assignment.
    """
    costs, sha256 = orlib(name)
    assert sha256.startswith(digest)
    assert tuple(costs[0, :5]) == first
    assert (costs.sum(), np.trace(costs)) == (total, trace)
    every = np.ones(costs.shape, dtype=bool)
    row = np.arange(len(costs))
    assert costs[row, best_assignment(costs[None], every)].sum() == least
    assert costs[row, best_assignment(-costs[None], every)].sum() == most


def test_or_library_by_ranks():
    """Units digit as second rank below the tens: the same order as the whole cost would give only if the
    sums never carried, so the optimum by ranks is found anew with networkx on tens x 10**6 + units.
    """
    costs, _ = orlib("assign100")
    size = len(costs)
    layers = np.stack([costs // 10, costs % 10])
    graph = networkx.Graph()
    for row, column in itertools.product(range(size), repeat=2):
        weight = int(layers[0, row, column]) * 10**6 + int(layers[1, row, column])
        graph.add_edge(("row", row), ("column", column), weight=weight)
    matching = networkx.bipartite.minimum_weight_full_matching(graph, [("row", row) for row in range(size)])
    expected = sum(graph[("row", row)][matching[("row", row)]]["weight"] for row in range(size))
    for exact in (2**53, 2**27):  # in one stage and in two
        picked = best_assignment(layers, np.ones(costs.shape, dtype=bool), exact=exact)
        tens, units = (int(layers[rank, np.arange(size), picked].sum()) for rank in range(2))
        assert tens * 10**6 + units == expected


SMALL = {
    # developers.google.com/optimization/assignment/linear_assignment
    "workers and tasks": (
        [[90, 76, 75, 70], [35, 85, 55, 65], [125, 95, 90, 105], [45, 110, 95, 115]],
        265,
        [3, 2, 1, 0],
    ),
    # SciPy, csgraph/tests/test_matching.py, linear_sum_assignment_test_cases
    "scipy square": ([[400, 150, 400], [400, 450, 600], [300, 225, 300]], 850, [1, 0, 2]),
    "scipy 3 x 4": ([[400, 150, 400, 1], [400, 450, 600, 2], [300, 225, 300, 3]], 452, [1, 3, 0]),
    "scipy square 2": ([[10, 10, 8], [9, 8, 1], [9, 7, 4]], 18, [0, 2, 1]),
    "scipy 3 x 4 2": ([[10, 10, 8, 11], [9, 8, 1, 1], [9, 7, 4, 10]], 15, None),
    "scipy forbidden pairs": ([[10, NO, NO], [NO, NO, 1], [NO, 7, NO]], 18, [0, 2, 1]),
    # Burkard, Dell'Amico and Martello, Assignment Problems (SIAM), chapter 4; the matrix from memory
    "Burkard": ([[7, 9, 8, 9], [2, 8, 5, 7], [1, 6, 6, 9], [3, 6, 2, 2]], 17, [1, 2, 0, 3]),
    # Wikipedia, "Hungarian algorithm", the cleaning example; from memory
    "cleaning": ([[8, 4, 7], [5, 2, 3], [9, 4, 8]], 15, [0, 2, 1]),
}


@pytest.mark.parametrize("name", SMALL)
def test_small_published_matrices(name):
    rows, optimum, columns = SMALL[name]
    least, picked = solved(rows)
    assert least == optimum
    assert columns is None or picked == columns


def test_kuhns_example():
    """H. W. Kuhn, "The Hungarian Method for the Assignment Problem", Naval Research Logistics Quarterly 2
    (1955) 83-97: the largest total is 27. Matrix and figure from memory.
    """
    rows = [[8, 7, 9, 9], [5, 2, 7, 8], [6, 1, 4, 9], [2, 3, 2, 6]]
    assert solved(rows, largest=True)[0] == 27


@pytest.mark.parametrize("size", [2, 3, 4])
def test_nobody_may_have_the_first_column(size):
    """SciPy's tests: the identity with its first column forbidden is infeasible."""
    rows = [[NO if column == 0 else int(row == column) for column in range(size)] for row in range(size)]
    with pytest.raises(InfeasibleError):
        solved(rows)


# Swaps before buying: a made-up engine, its optimum confirmed by trying everything (there is no source).
# In micrometres, spec 150 to 200: each valve's shim and clearance.
ENGINE = {"1": (2750, 120), "2": (2800, 250), "3": (2850, 180), "4": (2700, 260)}
LOTS = [(2_725_000, "used", 1), (2_900_000, "used", 1)]


def the_engine(*, adjust="auto", catalogue=range(2_500_000, 3_000_001, 25_000)):
    valves = (
        Valve(
            label=label,
            min_nm=150_000,
            max_nm=200_000,
            aim_nm=175_000,
            passes_nm=clearance * 1_000,
            stops_nm=clearance * 1_000 + 1,
            shim=OwnShim(thickness_nm=shim * 1_000, known_by="measured"),
            adjust=adjust,
        )
        for label, (shim, clearance) in ENGINE.items()
    )
    return problem(*valves, lots=LOTS, catalogue=catalogue)


def test_swaps_come_before_buying():
    """Two swaps and one from stock, nothing bought, the valve in spec kept."""
    plan = plan_engine(the_engine())
    assert [(choice.action, choice.thickness_nm) for choice in plan.choices] == [
        ("swap", 2_700_000),
        ("stock", 2_900_000),
        ("keep", 2_850_000),
        ("swap", 2_800_000),
    ]
    assert [choice.from_valve for choice in plan.choices] == ["4", None, None, "2"]
    # The 2.900 mm shim reaches the least clearance exactly, so it is not guaranteed.
    assert plan.score[:5] == (0, 0, 1, 3, 1)
    assert verify(the_engine(), plan) == []


def test_without_swaps_two_would_be_bought():
    """The same valves planned one at a time, so that no shim can change places."""
    whole = the_engine()
    alone = [
        plan_engine(
            Problem(
                valves=(valve,), lots=whole.lots, catalogue_nm=whole.catalogue_nm, lash_ratio=whole.lash_ratio
            )
        )
        for valve in whole.valves
    ]
    assert [plan.choices[0].action for plan in alone] == ["buy", "stock", "keep", "buy"]
    assert sum(plan.score.bought for plan in alone) == 2


def test_swaps_before_buying_in_the_costs_of_the_worked_example():
    """Keep 0, move 1, stock 10, buy 1000: the least is 12; without moving it is 2010."""
    spec = (150, 200)
    windows = [(shim + gap - spec[1], shim + gap - spec[0]) for shim, gap in ENGINE.values()]
    assert windows == [(2670, 2720), (2850, 2900), (2830, 2880), (2760, 2810)]
    own = [shim for shim, _ in ENGINE.values()]

    def costs(*, moving):
        rows = []
        for row, (low, high) in enumerate(windows):
            moves = [
                (0 if row == column else 1 if moving else NO) if low <= shim <= high else NO
                for column, shim in enumerate(own)
            ]
            stock = [10 if low <= lot[0] // 1_000 <= high else NO for lot in LOTS]
            rows.append(moves + stock + [1_000 if row == column else NO for column in range(len(own))])
        return rows

    assert solved(costs(moving=True)) == (12, [3, 5, 2, 1])
    assert solved(costs(moving=False))[0] == 2_010
