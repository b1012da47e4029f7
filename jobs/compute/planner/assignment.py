"""Best assignment by several ranks at once, with its proof.

Promise
    `best_assignment` gives every row a column of its own so that the sums of the layers, compared left to
    right, are the least possible. The answer carries a certificate that is checked in exact 64-bit
    arithmetic before it is returned: dual prices under which no allowed pair costs less than nothing and
    every chosen pair costs exactly nothing. By linear programming duality no assignment is cheaper, however
    the solver came by it. A wrong answer of the solver raises, it is never returned.

    Of equal assignments the first one is returned: row by row, the column with the smallest own layers,
    then the leftmost. So the answer depends on the matrix alone, not on the solver's way through it.

How
    The solver is SciPy's linear_sum_assignment (Jonker-Volgenant; Crouse 2016). It works in float64, exact
    for whole numbers below 2**53. Consecutive layers are packed into one cost, as digits of one number, as
    long as everything the solver can form stays below that; the rest follows in further stages.
    A stage that comes after another may use only what keeps the earlier ones optimal. By complementary
    slackness that is exactly: pairs whose reduced price is nothing, with every column of negative price
    taken. The latter becomes a first digit of the next stage: columns that need not be taken cost 1.

Limits
    Costs are integers. One layer alone must fit the room: rows x (its total spread) x 2 < 2**53.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import prod

import numpy as np
import numpy.typing as npt
import scipy

IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

EXACT = 2**53
"""Whole numbers up to here are exact in float64."""
_FORBIDDEN = 2**61  # as an exact cost: above anything the room allows, and twice it still fits 64 bits
_POOL = -1  # stands for "a free column" among the rows in `_first_of_equals`


class InfeasibleError(ValueError):
    """Some row cannot be given a column of its own."""


class NotProvenError(ArithmeticError):
    """The solver's answer failed its proof. Never seen; raised rather than return what may not be best."""


@dataclass(frozen=True, slots=True)
class _Proof:
    tight: BoolArray  # (rows, columns): pairs that an optimal assignment may use
    must: BoolArray  # (columns,): columns that every optimal assignment uses


def best_assignment(
    layers: IntArray, allowed: BoolArray, alike: Sequence[int] | None = None, *, exact: int = EXACT
) -> IntArray:
    """Column per row of the best assignment.

    `layers` is (ranks, rows, columns), most important rank first; `allowed` (rows, columns) says which
    pairs exist. `alike` (columns,) gives columns that are interchangeable the same number, in rising order
    from left to right; without it every column is its own kind. `exact` may be lowered to force more
    stages; the answer is the same.

    Raises InfeasibleError when some row cannot be served, OverflowError when a layer's costs spread too
    far to be exact, NotProvenError when the solver's answer is not optimal.
    """
    row, column = allowed.nonzero()
    figures = layers[:, row, column]
    return best_of_pairs(figures, row, column, allowed.shape, alike, exact=exact)


def best_of_pairs(
    figures: IntArray,
    row: IntArray,
    column: IntArray,
    shape: tuple[int, ...],
    alike: Sequence[int] | None = None,
    *,
    exact: int = EXACT,
) -> IntArray:
    """`best_assignment` of the pairs that exist: `figures` is (ranks, pairs), `row` and `column` (pairs,),
    the rows rising; `shape` says how many rows and columns there are.
    """
    ranks, (rows, columns) = len(figures), shape
    if ranks == 0:
        raise ValueError("at least one layer is needed")
    if rows == 0:
        return np.empty(0, dtype=np.int64)
    starts = row.searchsorted(np.arange(rows + 1))
    if rows > columns or not (starts[1:] > starts[:-1]).all():
        raise InfeasibleError("more rows than columns, or a row without any column")
    shifted, spreads = _shifted(figures, row, starts[:-1])
    allowed = np.zeros((rows, columns), dtype=np.bool_)
    allowed[row, column] = True

    def spread_out(costs: IntArray) -> IntArray:
        matrix = np.zeros((rows, columns), dtype=np.int64)
        matrix[row, column] = costs
        return matrix

    # With rows that start at 0 and sum to T at most, each of the solver's steps finds a path no longer than
    # T, so its prices stay within rows x T and what it compares within (rows + 2) x T.
    room = exact // (2 * rows)
    packed, layer = _packed(shifted, spreads, 0, room)
    keys = [spread_out(packed)]
    tight = allowed
    matched, proof = _proven_optimum(keys[0], tight)
    while layer < ranks:
        packed, following = _packed(shifted, spreads, layer, room // (rows + 1))
        cost = spread_out(packed)
        keys.append(cost)
        rest = prod(spread + 1 for spread in spreads[layer:following])
        tight = tight & proof.tight
        # What every optimum so far takes must be taken again: all other columns cost a digit above the rest.
        matched, proof = _proven_optimum(cost + np.where(proof.must, 0, rest), tight)
        layer = following
    return _first_of_equals(matched, proof, keys, alike)


def _packed(figures: IntArray, spreads: list[int], start: int, room: int) -> tuple[IntArray, int]:
    """As many layers from `start` on as fit the room, as digits of one cost; and the layer that follows."""
    total, end = 1, start
    while end < len(spreads) and total * (spreads[end] + 1) <= room:
        total *= spreads[end] + 1
        end += 1
    if end == start:
        raise OverflowError("the costs of one rank spread too far to be compared exactly")
    cost = figures[start]
    for digit in range(start + 1, end):
        if spreads[digit]:
            cost = cost * (spreads[digit] + 1) + figures[digit]
    return cost, end


def _shifted(figures: IntArray, row: IntArray, starts: IntArray) -> tuple[IntArray, list[int]]:
    """The figures with every row's least taken off, as changes no comparison since every row is served once;
    and per layer the most that the sum can then be.
    """
    least = np.minimum.reduceat(figures, starts, axis=1)
    most = np.maximum.reduceat(figures, starts, axis=1)
    if int(least.min()) <= -EXACT or int(most.max()) >= EXACT:
        raise OverflowError("a cost is too large to be compared exactly")
    return figures - least.take(row, axis=1), (most - least).sum(axis=1).tolist()


def _proven_optimum(cost: IntArray, allowed: BoolArray) -> tuple[IntArray, _Proof]:
    """The solver's assignment and its proof: dual prices, found by Bellman-Ford over the exchanges.

    Row i moving to row k's column costs step[i, k]. The price of a matched column is the least total over
    all chains of such moves that end in it, 0 at most; free columns are priced 0. Prices that settle, with
    no reduced cost below 0, prove that no chain or ring of moves pays.
    """
    try:
        _, matched = scipy.optimize.linear_sum_assignment(np.where(allowed, cost, np.inf))
    except ValueError as error:
        raise InfeasibleError("some rows compete for too few columns") from error
    matched = matched.astype(np.int64)
    rows, columns = cost.shape
    exact = np.where(allowed, cost, _FORBIDDEN)
    own = exact[np.arange(rows), matched]
    step = exact[:, matched] - own[:, None]
    price = np.zeros(rows, dtype=np.int64)
    for _ in range(rows + 1):
        lower = np.minimum(price, (price[:, None] + step).min(axis=0))
        if (lower == price).all():
            break
        price = lower
    else:
        raise NotProvenError("a ring of exchanges is cheaper than the solver's assignment")
    prices = np.zeros(columns, dtype=np.int64)
    prices[matched] = price
    reduced = exact - (own - price)[:, None] - prices
    if int(reduced.min()) < 0 or int(own.max()) >= _FORBIDDEN:
        raise NotProvenError("a free column is cheaper than the solver's assignment")
    return matched, _Proof(tight=reduced == 0, must=prices < 0)


@dataclass(slots=True)
class _Seating:
    """An optimal assignment while `_first_of_equals` turns it into the first one."""

    choices: list[list[int]]
    """Per row the tight columns, best first."""
    takers: dict[int, list[int]]
    """Per column the rows that have it among their choices."""
    must: list[bool]
    """Per column whether it may not be left free."""
    holds: list[int]
    """Per row its column now."""
    holder: dict[int, int]
    """Per taken column its row."""

    def ways_to(self, row: int) -> dict[int, int]:
        """For every later row, and the pool, from which moves along tight pairs lead to `row`'s column:
        whose place it takes on the way.
        """
        ways: dict[int, int] = {}
        reached = [row]
        for target in reached:
            if target == _POOL:
                others = [
                    other
                    for other in range(row + 1, len(self.choices))
                    if any(column not in self.holder for column in self.choices[other])
                ]
            else:
                column = self.holds[target]
                others = self.takers[column]
                if _POOL not in ways and not self.must[column]:
                    ways[_POOL] = target
                    reached.append(_POOL)
            for other in others:
                if other > row and other not in ways:
                    ways[other] = target
                    reached.append(other)
        return ways

    def turn(self, row: int, column: int, ways: dict[int, int]) -> None:
        """Gives `column` to `row` and moves everyone along the ring by one place."""
        moves = [(row, column)]
        mover = self.holder.get(column, _POOL)
        while mover != row:
            target = ways[mover]
            if mover != _POOL:
                moves.append((mover, self.holds[target] if target != _POOL else self.free_choice(mover)))
            mover = target
        for mover, _ in moves:
            del self.holder[self.holds[mover]]
        for mover, place in moves:
            self.holds[mover] = place
            self.holder[place] = mover

    def free_choice(self, row: int) -> int:
        return next(column for column in self.choices[row] if column not in self.holder)


def _first_of_equals(
    matched: IntArray, proof: _Proof, keys: list[IntArray], alike: Sequence[int] | None
) -> IntArray:
    """The first of all optimal assignments, reached from `matched`.

    Two optimal assignments differ by rings of moves along tight pairs, of which some pass through the pool
    of free columns (a row takes a free one, another leaves one that need not be taken). So for each row in
    turn the best column is taken from which such a ring leads back to it, past the rows already settled.
    """
    kind = range(len(proof.must)) if alike is None else alike
    holds: list[int] = matched.tolist()
    choices: list[list[int]] = [[] for _ in holds]
    takers: dict[int, list[int]] = {}
    tight_row, tight_column = proof.tight.nonzero()
    for row, column in zip(tight_row.tolist(), tight_column.tolist(), strict=True):
        choices[row].append(column)
        takers.setdefault(column, []).append(row)
    for row, columns in enumerate(choices):
        if len(columns) > 1:
            # They stand from left to right, and sorting keeps that order among equals: so the last key first.
            for key in reversed(keys):
                columns.sort(key=key[row].tolist().__getitem__)
    seats = _Seating(choices, takers, proof.must.tolist(), holds, {c: row for row, c in enumerate(holds)})
    for row, columns in enumerate(choices):
        ways: dict[int, int] | None = None
        for column in columns:
            if kind[column] == kind[holds[row]]:
                break
            taken_from = seats.holder.get(column, _POOL)
            if 0 <= taken_from < row:
                continue
            ways = seats.ways_to(row) if ways is None else ways
            if taken_from in ways:
                seats.turn(row, column, ways)
                break
    return np.array(holds, dtype=np.int64)
