"""Best way to give every row an arc, by several ranks at once, with its proof; for sparse arcs.

Promise
    As planner.assignment, which does the same on whole matrices: the sums of the layers, compared left to
    right, are the least possible, and the answer carries a certificate that is checked in exact 64-bit
    arithmetic over all arcs before it is returned: prices of the columns under which no arc costs less than
    nothing and every chosen one costs exactly nothing. By linear programming duality nothing is cheaper,
    however the solver came by it. A wrong answer of the solver raises, it is never returned. The same arcs
    in the same order always give the same answer.

How
    The solver is SciPy's min_weight_full_bipartite_matching (LAPJVsp, Jonker and Volgenant 1987). It works
    in float64, exact for whole numbers below 2**53. Consecutive layers are packed into one cost, as digits
    of one number, as long as everything the solver can form stays below that; the rest follows in further
    stages on the arcs that the earlier ones left tight, every column of negative price being taken again.
    It is given the likely arcs first; an arc that the prices show to pay is added, and it solves again.
"""

from dataclasses import dataclass

import numpy as np
import scipy

from jobs.compute.planner.assignment import EXACT, InfeasibleError, NotProvenError
from jobs.compute.shopplan.model import BoolArray, Costs, IntArray


@dataclass(frozen=True, slots=True)
class _Network:
    """Arcs in order of row, and how often each column may be taken."""

    rows: int
    row: IntArray
    column: IntArray
    capacity: IntArray

    def take(self, which: BoolArray | IntArray) -> "_Network":
        return _Network(self.rows, self.row[which], self.column[which], self.capacity)


@dataclass(frozen=True, slots=True)
class _Proof:
    chosen: IntArray  # (rows,): the arc of each row
    tight: BoolArray  # (arcs,): those that an optimum may use
    must: BoolArray  # (columns,): those that every optimum takes as often as can be


def best_arcs(
    rows: int,
    row: IntArray,
    column: IntArray,
    capacity: IntArray,
    cost: Costs,
    *,
    likely: BoolArray | None = None,
    exact: int = EXACT,
) -> IntArray:
    """The arc of each row, as an index into `row`.

    `row`, `column` (arcs,) are the ends of the arcs, no two alike; `capacity` (columns,) how often a column
    may be taken; `cost` (ranks, arcs), most important rank first. `likely` (arcs,) are those worth looking
    at first; `exact` may be lowered to force more stages. Neither changes the sums.

    Raises InfeasibleError when some row cannot be served, OverflowError when one layer spreads too far to be
    exact, NotProvenError when the solver's answer is not optimal.
    """
    if rows == 0:
        return np.empty(0, dtype=np.int64)
    origin = row.argsort(kind="stable")
    network = _Network(rows, row[origin], column[origin], capacity)
    if len(row) == 0 or (np.bincount(row, minlength=rows) == 0).any():
        raise InfeasibleError("a row without any arc")
    active = np.ones(len(row), dtype=np.bool_) if likely is None else likely[origin]
    room, layer, proof = exact // (2 * rows), 0, None
    while layer < len(cost):
        key, layer, total = _packed(network, cost[:, origin], layer, room)
        if proof is not None:
            # What every optimum so far takes is taken again: any other column costs a digit above the rest.
            key = key + np.where(proof.must[network.column], 0, total)
        proof = _proven_optimum(network, key, active)
        if layer < len(cost):
            network, origin = network.take(proof.tight), origin[proof.tight]
            active = np.ones(len(origin), dtype=np.bool_)
            room = exact // (2 * rows * (rows + 1))
    if proof is None:
        raise ValueError("at least one rank is needed")
    return origin[proof.chosen]


def _packed(network: _Network, cost: Costs, start: int, room: int) -> tuple[IntArray, int, int]:
    """As many layers from `start` on as fit the room, as digits of one cost; the layer that follows; and
    what is above every sum of the digits.

    Every row's least cost is taken off first, which changes no comparison since every row is served once.
    """
    first = np.searchsorted(network.row, np.arange(network.rows))
    packed, total, layer = np.zeros(len(network.row), dtype=np.int64), 1, start
    while layer < len(cost):
        digit = cost[layer].astype(np.int64)
        least = np.minimum.reduceat(digit, first)
        spread = int((np.maximum.reduceat(digit, first) - least).sum()) + 1
        if total * spread > room:
            break
        packed = packed * spread + (digit - least[network.row])
        total *= spread
        layer += 1
    if layer == start:
        raise OverflowError("the costs of one rank spread too far to be compared exactly")
    return packed, layer, total


def _proven_optimum(network: _Network, cost: IntArray, active: BoolArray) -> _Proof:
    """The best arcs and their proof: prices under which no arc, active or not, costs less than nothing."""
    while True:
        which = np.flatnonzero(active)
        some, some_cost = network.take(which), cost[which]
        try:
            chosen = _solved(some, some_cost)
        except InfeasibleError:
            if active.all():
                raise
            active = np.ones(len(cost), dtype=np.bool_)
            continue
        price = _prices(some, some_cost, chosen)
        own = cost[which[chosen]] - price[some.column[chosen]]
        reduced = cost - own[network.row] - price[network.column]
        pays = reduced < 0
        if not pays.any():
            return _Proof(which[chosen], reduced == 0, price < 0)
        if (pays & active).any():
            raise NotProvenError("an arc is cheaper than the solver's choice")
        active = active | pays


def _solved(network: _Network, cost: IntArray) -> IntArray:
    """The solver's arc of each row, with a column of its own for every time that one may be taken."""
    takers = np.bincount(network.column, minlength=len(network.capacity))
    copies = np.minimum(network.capacity, takers)
    start = copies.cumsum() - copies
    many = copies[network.column]
    arc = np.repeat(np.arange(len(cost)), many)
    nth = np.arange(len(arc)) - np.repeat(many.cumsum() - many, many)
    place = start[network.column[arc]] + nth
    if int(copies.sum()) < network.rows:
        raise InfeasibleError("more rows than there are shims")
    # One is added since a cost of nothing would count as no arc; every row has one arc, so nothing changes.
    weights = scipy.sparse.csr_array(
        ((cost[arc] + 1).astype(np.float64), (network.row[arc], place)),
        shape=(network.rows, int(copies.sum())),
    )
    try:
        served, taken = scipy.sparse.csgraph.min_weight_full_bipartite_matching(weights)
    except ValueError as error:
        raise InfeasibleError("some rows compete for too few columns") from error
    column = np.empty(network.rows, dtype=np.int64)
    column[served] = np.repeat(np.arange(len(copies)), copies)[taken]
    chosen = np.flatnonzero(network.column == column[network.row])
    if len(chosen) != network.rows:
        raise ValueError("two arcs have the same ends")
    return chosen


def _prices(network: _Network, cost: IntArray, chosen: IntArray) -> IntArray:
    """Per column its price, found by Bellman-Ford over the exchanges.

    A row that moves to a column which is taken up costs what the new arc is dearer; another has to move on.
    The price of such a column is the least total over all chains of moves that end in it, 0 at most; one
    that could be taken once more is priced 0. Prices that settle prove that no ring of moves pays.
    """
    columns = len(network.capacity)
    own, held = cost[chosen], network.column[chosen]
    full = np.bincount(held, minlength=columns) >= network.capacity
    into = np.flatnonzero(full[network.column])
    into = into[network.column[into].argsort(kind="stable")]
    start = np.flatnonzero(np.diff(network.column[into], prepend=-1))
    target = network.column[into][start]
    step = cost[into] - own[network.row[into]]
    source = held[network.row[into]]
    price = np.zeros(columns, dtype=np.int64)
    if len(target) == 0:
        return price
    for _ in range(columns + 1):
        lower = np.minimum(price[target], np.minimum.reduceat(price[source] + step, start))
        if np.array_equal(lower, price[target]):
            return price
        price[target] = lower
    raise NotProvenError("a ring of exchanges is cheaper than the solver's choice")
