"""The engine as an assignment problem: a row per valve that may change, a column per shim it may get.

Promise
    The best plans of a `Problem` are the best assignments of its `Model`, rank by rank in the order that is
    preferred, and equal ones come in the same order. Everything is exact: with lash ratio p / q every
    clearance is a whole number of q-ths of a nanometre, held in 64 bits (types.py bounds the figures so that
    they fit).

What is left out, and why no best plan is lost, whatever the order of the ranks
    - A valve in spec whose shim no valve to be changed can use, directly or through other valves in spec:
      opening it gains nothing and counts as opened, and no figure of a valve that is kept is above 0.
    - Sizes of the catalogue but the best one per valve: any number of each can be bought.
    - Lots that are not among a valve's n best choices from stock, n being the number of rows: the other
      rows take at most n - 1 of those, so one at least as good is always left. Lots outside every window
      are a case of this.
    - Of one thickness and condition, shims beyond the number of valves that count it among their n best.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from jobs.compute.planner.assignment import BoolArray, IntArray
from jobs.compute.planner.preference import RANKS, USUAL, Preference
from jobs.compute.planner.types import Condition, Lot, Problem, Valve

_RANKS = len(RANKS)
_UNRESOLVED, _BOUGHT, _NOT_GUARANTEED, _OPENED, _STOCK_COST, _DEVIATION = range(_RANKS)
STOCK_COST: dict[Condition, int] = {"used": 1, "new": 2}
"""What taking one shim from stock adds to `Score.stock_cost`."""
SENT_COST = 2
"""What it adds besides where the shim has to be sent from another site: nothing here is dearer than that."""
_NEVER = np.iinfo(np.int64).max


class Column(NamedTuple):
    """What a column stands for."""

    kind: Literal["own", "stock", "buy", "none"]
    which: int
    """own: the valve whose shim it is; stock: which of `Model.stock`; buy and none: the row."""


class StockShims(NamedTuple):
    """Stock of one thickness and condition, which may lie in several lots."""

    thickness_nm: int
    condition: Condition
    cost: int
    """What taking one adds to `Score.stock_cost`."""
    lots: list[int]
    """Indices into `Problem.lots`, in order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Model:
    """Input of `assignment.best_assignment` and what its rows and columns stand for."""

    rows: list[int]
    """The valve of each row, in the order of the problem. Empty when no valve needs a change."""
    stock: list[StockShims]
    """Used ones before new ones, those from other sites last, each thinnest first."""
    places: list[int]
    """Which of `stock` each column for stock is."""
    buy_nm: list[int]
    """Per row the best size to buy; where that column is not allowed it means nothing."""
    layers: IntArray
    """(ranks as preferred, rows, columns). The columns are the rows' own shims, stock as in `places`, per row
    what can be bought, per row no shim."""
    allowed: BoolArray
    """(rows, columns)."""
    alike: list[int]
    """Columns with the same number are shims of one thickness and cost from stock."""

    def column(self, number: int) -> Column:
        """What this column stands for."""
        rows, places = len(self.rows), len(self.places)
        if number < rows:
            return Column("own", self.rows[number])
        number -= rows
        if number < places:
            return Column("stock", self.places[number])
        number -= places
        return Column("buy", number) if number < rows else Column("none", number - rows)


@dataclass(frozen=True, slots=True)
class _Fits:
    """How thicknesses fit valves: each array is (valves, thicknesses)."""

    inside: BoolArray  # in the called window
    unsure: IntArray  # 1 outside the guaranteed window, else 0
    off_nm: IntArray  # |called clearance after - aim|, rounded once, half to even

    def take(self, thicknesses: IntArray) -> "_Fits":
        return _Fits(self.inside[:, thicknesses], self.unsure[:, thicknesses], self.off_nm[:, thicknesses])


class _Readings:
    """The readings of some valves, one row each, in q-ths of a nanometre for a lash ratio of p / q."""

    def __init__(self, p: int, q: int, table: IntArray) -> None:
        self._p, self._q, self._table = p, q, table
        self._bare, self._leaf, self._min, self._max, self._aim, self._unsure, self._real = (
            table[:, figure, None] for figure in range(table.shape[1])
        )

    @classmethod
    def of(cls, problem: Problem, which: Sequence[int]) -> "_Readings":
        p, q = problem.lash_ratio.numerator, problem.lash_ratio.denominator
        uncertainty = problem.uncertainty
        table = [
            (
                valve.passes_nm * q + valve.shim.thickness_nm * p,  # the clearance without any shim
                (valve.stops_nm - valve.passes_nm) * q,
                valve.min_nm * q,
                valve.max_nm * q,
                valve.aim_nm * q,
                uncertainty.of_own(valve.shim) * p,
                valve.passes_nm > 0,
            )
            for valve in (problem.valves[index] for index in which)
            if valve.shim is not None
        ]
        return cls(p, q, np.array(table, dtype=np.int64))

    def take(self, valves: IntArray) -> "_Readings":
        return _Readings(self._p, self._q, self._table[valves])

    def reach(self) -> tuple[int, int]:
        """Thicknesses in nm beyond which nothing lies in any window."""
        least, most = int((self._bare - self._max).min()), int((self._bare - self._min).max())
        return least // self._p, -(-most // self._p)

    def inside(self, thickness_nm: IntArray) -> BoolArray:
        after = self._bare - thickness_nm * self._p
        return (after >= self._min) & (after <= self._max)

    def fits(self, thickness_nm: IntArray, uncertainty_nm: IntArray) -> _Fits:
        after = self._bare - thickness_nm * self._p
        unsure = self._unsure + uncertainty_nm * self._p
        guaranteed = (
            (after - unsure >= self._min) & (after + self._leaf + unsure <= self._max) & (self._real > 0)
        )
        off = np.abs(after - self._aim)
        if self._q != 1:
            off, rest = np.divmod(off, self._q)
            off += (2 * rest > self._q) | ((2 * rest == self._q) & (off % 2 == 1))
        inside = (after >= self._min) & (after <= self._max)
        return _Fits(inside, (~guaranteed).astype(np.int64), off)


def needs_change(valve: Valve) -> bool:
    """Whether this valve is to get another shim: `always`, or out of spec by its called clearance unless
    `never`.
    """
    if valve.adjust == "auto":
        return not valve.min_nm <= valve.passes_nm <= valve.max_nm
    return valve.adjust == "always"


def stock_cost(lot: Lot) -> int:
    """What taking one shim of this lot adds to `Score.stock_cost`."""
    return STOCK_COST[lot.condition] + SENT_COST * lot.elsewhere


def build_model(problem: Problem, preference: Preference = USUAL) -> Model:
    """The assignment problem of this engine, its ranks in the order of the preference. What may be taken is
    the problem's own affair: see `Preference.restricted`.
    """
    known = [
        index
        for index, valve in enumerate(problem.valves)
        if valve.shim is not None and valve.adjust != "never"
    ]
    needing = np.array([needs_change(problem.valves[index]) for index in known], dtype=np.bool_)
    if not needing.any():
        none = np.empty((_RANKS, 0, 0), dtype=np.int64)
        return Model(rows=[], stock=[], places=[], buy_nm=[], layers=none, allowed=none[0] > 0, alike=[])
    readings = _Readings.of(problem, known)
    own_nm, own_unsure_nm = _own_shims(problem, known)
    chosen = _within_reach(readings.inside(own_nm), needing)
    rows = [known[place] for place in chosen.tolist()]
    readings, needing = readings.take(chosen), needing[chosen]

    own = readings.fits(own_nm[chosen], own_unsure_nm[chosen])
    order = preference.order
    buys, buy_nm = _best_to_buy(problem, readings, order)
    stock, places, lots = _stock_choices(problem, readings, order)
    return _laid_out(rows, needing, own, stock, places, lots, buys, buy_nm, order)


def _own_shims(problem: Problem, which: Sequence[int]) -> tuple[IntArray, IntArray]:
    """Thickness and uncertainty of these valves' own shims."""
    shims = [shim for shim in (problem.valves[index].shim for index in which) if shim is not None]
    return (
        np.array([shim.thickness_nm for shim in shims], dtype=np.int64),
        np.array([problem.uncertainty.of_own(shim) for shim in shims], dtype=np.int64),
    )


def _within_reach(can_take: BoolArray, needing: BoolArray) -> IntArray:
    """The valves that need a change and those whose shim can reach one, in order. `can_take` says whose
    window (row) holds whose shim (column).
    """
    reached = needing
    while True:
        wider = reached | can_take[reached].any(axis=0)
        if np.array_equal(wider, reached):
            return np.flatnonzero(reached)
        reached = wider


def _best_to_buy(problem: Problem, readings: _Readings, order: list[int]) -> tuple[_Fits, list[int]]:
    """Per row the size to buy, as fits of shape (rows, 1), and its thickness: the best by the ranks, such as
    one that is guaranteed before one that is not, then the nearest to the aim; then the thinner.
    """
    sizes = np.array(sorted(set(problem.catalogue_nm)) or [0], dtype=np.int64)
    fits = readings.fits(sizes, np.array(problem.uncertainty.unworn_nm))
    if not problem.catalogue_nm:
        fits.inside[:] = False
    best = _ranked(fits, np.zeros(1, dtype=np.int64), order).argmin(axis=1)
    at = (np.arange(len(best)), best)
    column = _Fits(fits.inside[at][:, None], fits.unsure[at][:, None], fits.off_nm[at][:, None])
    return column, sizes[best].tolist()


def _ranked(fits: _Fits, costs: IntArray, order: list[int]) -> IntArray:
    """One number per pair that orders a row's choices as the ranks do; the largest of all outside."""
    # As digits of one number, each with what it stays below. The other ranks do not tell these choices apart.
    digits = {
        _NOT_GUARANTEED: (fits.unsure, 2),
        _STOCK_COST: (costs, int(costs.max(initial=0)) + 1),
        _DEVIATION: (fits.off_nm, int(fits.off_nm.max(initial=0, where=fits.inside)) + 1),
    }
    number = np.zeros_like(fits.off_nm)
    for rank in order:
        if rank in digits:
            digit, below = digits[rank]
            number = number * below + digit
    return np.where(fits.inside, number, _NEVER)


def _stock_choices(
    problem: Problem, readings: _Readings, ranks: list[int]
) -> tuple[list[StockShims], IntArray, _Fits]:
    """The stock that can matter, for every column which entry of it, and how the columns fit."""
    thinnest, thickest = readings.reach()
    lots_of: dict[tuple[int, int], list[int]] = {}
    amounts: dict[tuple[int, int], int] = {}
    for index, lot in enumerate(problem.lots):
        if thinnest <= lot.thickness_nm <= thickest:
            kind = (stock_cost(lot), lot.thickness_nm)
            lots_of.setdefault(kind, []).append(index)
            amounts[kind] = amounts.get(kind, 0) + lot.quantity
    kinds = sorted(lots_of)
    table = np.array(kinds, dtype=np.int64).reshape(len(kinds), 2)
    useful = np.flatnonzero(readings.inside(table[:, 1]).any(axis=0))
    costs, thickness = table[useful].T
    used = (costs == STOCK_COST["used"]) | (costs == STOCK_COST["used"] + SENT_COST)
    fits = readings.fits(
        thickness, np.where(used, problem.uncertainty.micrometer_nm, problem.uncertainty.unworn_nm)
    )
    rows = len(fits.inside)
    amount = np.array([amounts[kinds[kind]] for kind in useful.tolist()], dtype=np.int64)
    quantity = np.minimum(amount, rows)
    ranked = _ranked(fits, costs, ranks)
    order = ranked.argsort(axis=1, kind="stable")
    # A kind is among a row's n best when fewer than n shims come before it in the row's order.
    in_order = quantity[order]
    wanted = np.empty_like(fits.inside)
    np.put_along_axis(wanted, order, in_order.cumsum(axis=1) - in_order < rows, axis=1)
    copies = np.minimum(quantity, (wanted & fits.inside).sum(axis=0))
    chosen = np.flatnonzero(copies)
    stock = [
        StockShims(nm, problem.lots[lots_of[cost, nm][0]].condition, cost, lots_of[cost, nm])
        for cost, nm in (kinds[kind] for kind in useful[chosen].tolist())
    ]
    places = np.repeat(np.arange(len(chosen)), copies[chosen])
    return stock, places, fits.take(chosen[places])


def _laid_out(
    rows: list[int],
    needing: BoolArray,
    own: _Fits,
    stock: list[StockShims],
    places: IntArray,
    lots: _Fits,
    buys: _Fits,
    buy_nm: list[int],
    order: list[int],
) -> Model:
    """The columns side by side: own shims, stock, one to buy per row, no shim per row."""
    count = len(rows)
    row = np.arange(count)
    shims = count + len(places)
    buy, none = shims + row, shims + count + row
    layers = np.zeros((_RANKS, count, shims + 2 * count), dtype=np.int64)
    allowed = np.zeros(layers.shape[1:], dtype=np.bool_)
    layers[_OPENED] = 1

    for fits, part in ((own, slice(count)), (lots, slice(count, shims))):
        allowed[:, part] = fits.inside
        layers[_NOT_GUARANTEED, :, part] = fits.unsure
        layers[_DEVIATION, :, part] = fits.off_nm
    costs = np.array([shim.cost for shim in stock], dtype=np.int64)
    layers[_STOCK_COST, :, count:shims] = costs[places]

    # Its own shim is the choice of a valve in spec that counts nothing, and no choice of one that needs a
    # change; no shim at all is the other way round.
    allowed[row, row] = ~needing
    layers[:, row, row] = 0
    allowed[row, none] = needing
    layers[_UNRESOLVED, row, none] = 1

    allowed[row, buy] = buys.inside[:, 0]
    layers[_BOUGHT, row, buy] = 1
    layers[_NOT_GUARANTEED, row, buy] = buys.unsure[:, 0]
    layers[_DEVIATION, row, buy] = buys.off_nm[:, 0]

    kinds = places.tolist()
    after = count + len(stock)
    return Model(
        rows=rows,
        stock=stock,
        places=kinds,
        buy_nm=buy_nm,
        layers=layers if order == sorted(order) else layers[order],
        allowed=allowed,
        alike=[*range(count), *(count + kind for kind in kinds), *range(after, after + 2 * count)],
    )
