"""Best way to give every row an arc, by several ranks at once, with its proof; for sparse arcs.

Promise
    As planner.assignment, which does the same on whole matrices: the sums of the layers, compared left to
    right, are the least possible, and the answer carries a certificate that is checked in exact 64-bit
    arithmetic before it is returned: prices of the columns under which no arc costs less than nothing and
    every chosen one costs exactly nothing. By linear programming duality nothing is cheaper, however the
    solver came by it. A wrong answer of the solver raises, it is never returned. The same arcs in the same
    order always give the same answer.

How
    The solver is SciPy's min_weight_full_bipartite_matching (LAPJVsp, Jonker and Volgenant 1987). It works
    in float64, exact for whole numbers below 2**53. Consecutive layers are packed into one cost, as digits
    of one number, as long as everything the solver can form stays below that; the rest follows in further
    stages on the arcs that the earlier ones left tight, every column of negative price being taken again.
"""

from dataclasses import dataclass
from math import prod

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import min_weight_full_bipartite_matching

from jobs.compute.planner.assignment import EXACT, InfeasibleError, NotProvenError
from jobs.compute.shopplan.model import BoolArray, IntArray


@dataclass(frozen=True, slots=True)
class _Network:
    """Arcs in order of column, with columns of capacity 1."""

    rows: int
    columns: int
    row: IntArray
    column: IntArray
    origin: IntArray  # which of the arcs that came in


@dataclass(frozen=True, slots=True)
class _Proof:
    chosen: IntArray  # (rows,): the arc of each row
    tight: BoolArray  # (arcs,): those that an optimum may use
    must: BoolArray  # (columns,): those that every optimum uses


def best_arcs(
    rows: int, row: IntArray, column: IntArray, capacity: IntArray, cost: IntArray, *, exact: int = EXACT
) -> IntArray:
    """The arc of each row, as an index into `row`.

    `row`, `column` (arcs,) are the ends of the arcs, no two alike; `capacity` (columns,) how often a column
    may be taken; `cost` (ranks, arcs), most important rank first. `exact` may be lowered to force more
    stages; the sums are the same.

    Raises InfeasibleError when some row cannot be served, OverflowError when one layer spreads too far to be
    exact, NotProvenError when the solver's answer is not optimal.
    """
    if rows == 0:
        return np.empty(0, dtype=np.int64)
    if len(np.unique(row)) < rows:
        raise InfeasibleError("a row without any arc")
    network = _copies(rows, row, column, capacity)
    if network.columns < rows:
        raise InfeasibleError("more rows than there are shims")
    shifted, spreads = _shifted(network, cost)
    room = exact // (2 * rows)
    layer, must, proof = 0, np.ones(network.columns, dtype=np.bool_), None
    while layer < len(cost):
        key, following, rest = _packed(shifted, spreads, layer, room if proof is None else room // (rows + 1))
        if proof is not None:
            # What every optimum so far takes is taken again: any other column costs a digit above the rest.
            network, shifted = _tightened(network, shifted, proof)
            must = proof.must
            key = key[proof.tight] + np.where(must[network.column], 0, rest)
        proof = _proven_optimum(network, key)
        layer = following
    if proof is None:
        raise ValueError("at least one rank is needed")
    return network.origin[proof.chosen]


def _copies(rows: int, row: IntArray, column: IntArray, capacity: IntArray) -> _Network:
    """A column of its own for every time that a column may be taken."""
    takers = np.bincount(column, minlength=len(capacity))
    copies = np.minimum(capacity, takers)
    start = np.concatenate([[0], copies.cumsum()])
    many = copies[column]
    arc = np.repeat(np.arange(len(row)), many)
    nth = np.arange(len(arc)) - np.repeat(many.cumsum() - many, many)
    place = start[column[arc]] + nth
    order = np.lexsort((row[arc], place))
    return _Network(rows, int(start[-1]), row[arc][order], place[order], arc[order])


def _shifted(network: _Network, cost: IntArray) -> tuple[IntArray, list[int]]:
    """The layers with every row's least cost taken off, which changes no comparison since every row is
    served once; and per layer the most that the sum can then be.
    """
    cost = cost[:, network.origin]
    if len(cost) and (int(cost.min()) <= -EXACT or int(cost.max()) >= EXACT):
        raise OverflowError("a cost is too large to be compared exactly")
    order = network.row.argsort(kind="stable")
    start = np.searchsorted(network.row[order], np.arange(network.rows))
    least = np.minimum.reduceat(cost[:, order], start, axis=1)
    most = np.maximum.reduceat(cost[:, order], start, axis=1)
    return cost - least[:, network.row], [int(spread) for spread in (most - least).sum(axis=1)]


def _packed(layers: IntArray, spreads: list[int], start: int, room: int) -> tuple[IntArray, int, int]:
    """As many layers from `start` on as fit the room, as digits of one cost; the layer that follows; and
    what is above every sum of the digits.
    """
    total, end = 1, start
    while end < len(spreads) and total * (spreads[end] + 1) <= room:
        total *= spreads[end] + 1
        end += 1
    if end == start:
        raise OverflowError("the costs of one rank spread too far to be compared exactly")
    cost = layers[start]
    for digit in range(start + 1, end):
        cost = cost * (spreads[digit] + 1) + layers[digit]
    return cost, end, prod(spread + 1 for spread in spreads[start:end])


def _tightened(network: _Network, layers: IntArray, proof: _Proof) -> tuple[_Network, IntArray]:
    tight = proof.tight
    narrowed = _Network(
        network.rows, network.columns, network.row[tight], network.column[tight], network.origin[tight]
    )
    return narrowed, layers[:, tight]


def _proven_optimum(network: _Network, cost: IntArray) -> _Proof:
    """The solver's arcs and their proof: prices, found by Bellman-Ford over the exchanges.

    A row that moves to a column which another row has, costs what the new arc is dearer; the other has to
    move on. The price of a taken column is the least total over all chains of such moves that end in it, 0
    at most; free columns are priced 0. Prices that settle, with no reduced cost below 0, prove that no chain
    or ring of moves pays.
    """
    # One is added since a cost of nothing would count as no arc; every row has one arc, so nothing changes.
    weights = csr_array(
        ((cost + 1).astype(np.float64), (network.row, network.column)),
        shape=(network.rows, network.columns),
    )
    try:
        served, taken = min_weight_full_bipartite_matching(weights)
    except ValueError as error:
        raise InfeasibleError("some rows compete for too few columns") from error
    matched = np.empty(network.rows, dtype=np.int64)
    matched[served] = taken
    # Arcs stand in order of column, then row: the chosen ones are found by that.
    place = network.column * network.rows + network.row
    chosen = np.searchsorted(place, matched * network.rows + np.arange(network.rows))
    own = cost[chosen]
    start = np.flatnonzero(np.concatenate([[True], network.column[1:] != network.column[:-1]]))
    holder = np.full(network.columns, -1)
    holder[matched] = np.arange(network.rows)
    group_holder = holder[network.column[start]]
    held = group_holder >= 0
    step = cost - own[network.row]
    price = np.zeros(network.rows, dtype=np.int64)
    for _ in range(network.rows + 1):
        least = np.minimum.reduceat(price[network.row] + step, start)
        lower = price.copy()
        lower[group_holder[held]] = np.minimum(price[group_holder[held]], least[held])
        if np.array_equal(lower, price):
            break
        price = lower
    else:
        raise NotProvenError("a ring of exchanges is cheaper than the solver's choice")
    prices = np.zeros(network.columns, dtype=np.int64)
    prices[matched] = price
    reduced = step + price[network.row] - prices[network.column]
    if int(reduced.min()) < 0:
        raise NotProvenError("a free column is cheaper than the solver's choice")
    return _Proof(chosen, reduced == 0, prices < 0)
