"""A part of the shop as a flow: a row per valve that may change, a column per shim that it may get.

Promise
    The best plans of a part are the flows of least cost through its `Model`, rank by rank: every row takes
    one arc, no column is taken more often than its capacity, and a job is completed when none of its rows
    takes an arc that is not `good`. Costs are exact, as in planner.model: with lash ratio p / q every
    clearance of a row is a whole number of q-ths of a nanometre, held in 64 bits.

What is left out, and why no best plan is lost
    - A valve in spec whose shim no valve that is to be changed can use, directly or through others.
    - Sizes of the catalogue but the best one per valve: any number of each can be bought.
    - What a pin has settled: its figures are constants, its shim is nobody else's.
"""

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from jobs.compute.planner.kinds import STOCK_COST
from jobs.compute.planner.model import needs_change
from jobs.compute.planner.types import OwnShim, Valve
from jobs.compute.shopplan.types import RANKS, OpenJob, ShopProblem

IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
Costs = npt.NDArray[np.int32]

COSTS = len(RANKS) - 1
"""Ranks that arcs carry: all but `waiting`."""
UNRESOLVED, BOUGHT, AWAITED, NOT_GUARANTEED, OPENED, STOCK, DEVIATION = range(COSTS)
BETWEEN_JOBS = 1
"""What moving a shim from one job to another adds to `ShopScore.stock_cost`."""


class Row(NamedTuple):
    """A valve that may get another shim."""

    job: int
    valve: Valve
    shim: OwnShim
    needs: bool
    """Whether its own shim is no choice: it needs a change, or the shim is promised to another valve."""


class Column(NamedTuple):
    """Shims that may be taken."""

    kind: Literal["own", "tray", "stock", "order"]
    thickness_nm: int
    uncertainty_nm: int
    capacity: int
    job: int
    """Whose valve or tray, -1 for stock and order."""
    row: int
    """own: the row whose shim it is, -1 for one of a valve that a pin has changed."""
    label: str
    """own: the valve it comes out of."""
    cost: int
    """What taking it adds to stock_cost, without what moving between jobs adds."""
    lots: tuple[int, ...]
    """stock, order: indices into the problem's lots or ordered ones, to be emptied in this order."""
    only: int = -1
    """The one job that may take them, -1 where any may."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Arcs:
    """Parallel arrays: an arc gives a shim to a row."""

    row: IntArray
    column: IntArray
    """Index into `Model.columns`; from there on what only this row has: the shim it could buy, then none."""
    cost: Costs
    """(COSTS, arcs). A deviation is less than a spec is wide, so 32 bits hold it."""
    good: BoolArray
    """Whether the shim is in the building."""

    def take(self, which: BoolArray | IntArray) -> "Arcs":
        return Arcs(
            row=self.row[which], column=self.column[which], cost=self.cost[:, which], good=self.good[which]
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Model:
    """One part as a flow."""

    rows: list[Row]
    columns: list[Column]
    capacity: IntArray
    """Per column, also of the two that each row has for itself."""
    arcs: Arcs
    buy_nm: list[int]
    """Per row the best size to buy; where it has no such arc it means nothing."""
    hopeless: list[bool]
    """Per job whether it cannot be completed today whatever its rows take."""

    def buys(self, column: int) -> bool:
        return len(self.columns) <= column < len(self.columns) + len(self.rows)

    def takes_none(self, column: int) -> bool:
        return column >= len(self.columns) + len(self.rows)


class _Readings:
    """The readings of the rows, in q-ths of a nanometre for a lash ratio of p / q."""

    def __init__(self, problem: ShopProblem, rows: Sequence[Row]) -> None:
        table = []
        for row in rows:
            ratio, valve = problem.jobs[row.job].lash_ratio, row.valve
            p, q = ratio.numerator, ratio.denominator
            bare = valve.passes_nm * q + row.shim.thickness_nm * p  # the clearance without any shim
            own_unsure = problem.uncertainty.of_own(row.shim) * p
            spec = (valve.min_nm * q, valve.max_nm * q, valve.aim_nm * q)
            leaf = (valve.stops_nm - valve.passes_nm) * q
            table.append((bare, leaf, *spec, own_unsure, p, q, valve.passes_nm > 0))
        self.job = np.array([row.job for row in rows], dtype=np.int64)
        columns = np.array(table, dtype=np.int64).reshape(len(rows), 9).T
        self._bare, self._leaf, self._min, self._max, self._aim = columns[:5]
        self._unsure, self._p, self._q, self._real = columns[5:]

    def window(self) -> tuple[IntArray, IntArray]:
        """Per row the thinnest and the thickest whole number of nanometres in its called window."""
        return -((self._max - self._bare) // self._p), (self._bare - self._min) // self._p

    def fit(
        self, row: IntArray, thickness_nm: IntArray, uncertainty_nm: IntArray
    ) -> tuple[IntArray, IntArray]:
        """Per pair of a row and a thickness inside its called window: 1 unless guaranteed, and
        |called clearance after - aim|, rounded once, half to even.
        """
        after = self._bare[row] - thickness_nm * self._p[row]
        unsure = self._unsure[row] + uncertainty_nm * self._p[row]
        guaranteed = (
            (after - unsure >= self._min[row])
            & (after + self._leaf[row] + unsure <= self._max[row])
            & (self._real[row] > 0)
        )
        off, rest = np.divmod(np.abs(after - self._aim[row]), self._q[row])
        off += (2 * rest > self._q[row]) | ((2 * rest == self._q[row]) & (off % 2 == 1))
        return (~guaranteed).astype(np.int64), off


@dataclass(frozen=True, slots=True, kw_only=True)
class Ends:
    """Which shims lie in which rows' called windows, before what that costs."""

    rows: list[Row]
    columns: list[Column]
    readings: _Readings
    row: IntArray
    column: IntArray
    """(pairs,): ends of each pair; a row's own shim is no pair with it."""


def find_ends(problem: ShopProblem) -> Ends:
    """The rows and columns of this part and what fits what; all its jobs must be of one family."""
    promised = {
        (pin.from_job, pin.from_label) for job in problem.jobs for pin in job.pins if pin.action == "swap"
    }
    rows = [
        Row(number, valve, valve.shim, needs_change(valve) or (job.key, valve.label) in promised)
        for number, job in enumerate(problem.jobs)
        for valve in _free_valves(job)
        if valve.shim is not None
    ]
    own = [column for column in _own_columns(problem, rows, promised) if column.row >= 0]
    reached = _within_reach(rows, own, _pairs(_Readings(problem, rows), own))
    # A valve that nobody's need can reach keeps its shim: neither row nor column.
    rows = [row for row, reach in zip(rows, reached.tolist(), strict=True) if reach]
    columns = [
        *_own_columns(problem, rows, promised),
        *_tray_columns(problem),
        *_lot_columns(problem),
    ]
    readings = _Readings(problem, rows)
    row, column = _pairs(readings, columns)
    return Ends(rows=rows, columns=columns, readings=readings, row=row, column=column)


def build_model(problem: ShopProblem) -> Model:
    """The flow of this part; all its jobs must be of one family."""
    ends = find_ends(problem)
    columns = len(ends.columns)
    buys, buy_nm = _buy_arcs(problem, ends.readings, ends.rows, columns)
    own = np.array([column.capacity for column in ends.columns], dtype=np.int64)
    return Model(
        rows=ends.rows,
        columns=ends.columns,
        capacity=np.concatenate([own, np.ones(2 * len(ends.rows), dtype=np.int64)]),
        arcs=_joined(_shim_arcs(ends), _keep_arcs(ends), buys, _none_arcs(ends.rows, columns)),
        buy_nm=buy_nm,
        hopeless=[_is_hopeless(job) for job in problem.jobs],
    )


def _free_valves(job: OpenJob) -> list[Valve]:
    pinned = {pin.label for pin in job.pins}
    return [valve for valve in job.valves if valve.adjust != "never" and valve.label not in pinned]


def _is_hopeless(job: OpenJob) -> bool:
    """Whether a pin waits for a shim, or a valve that needs a change must be measured first."""
    return any(pin.action in ("order", "buy") for pin in job.pins) or any(
        valve.shim is None and needs_change(valve) for valve in _free_valves(job)
    )


def _own_columns(
    problem: ShopProblem, rows: Sequence[Row], gone: set[tuple[str | None, str | None]]
) -> list[Column]:
    """The shims out of valves, by job and valve, but for those that are gone."""
    row_of = {(row.job, row.valve.label): number for number, row in enumerate(rows)}
    columns = []
    for number, job in enumerate(problem.jobs):
        changed = {pin.label for pin in job.pins if pin.action != "keep"}
        for valve in job.valves:
            row = row_of.get((number, valve.label), -1)
            # The old shim of a valve whose new one is settled is free, unless that too is promised.
            free = row >= 0 or (valve.label in changed and valve.adjust != "never")
            if valve.shim is not None and free and (job.key, valve.label) not in gone:
                half = problem.uncertainty.of_own(valve.shim)
                columns.append(
                    Column("own", valve.shim.thickness_nm, half, 1, number, row, valve.label, 0, ())
                )
    return columns


def _tray_columns(problem: ShopProblem) -> list[Column]:
    taken = Counter(
        (pin.from_job, pin.thickness_nm) for job in problem.jobs for pin in job.pins if pin.action == "tray"
    )
    columns = []
    for number, job in enumerate(problem.jobs):
        for shim in job.tray:
            gone = min(taken[job.key, shim.thickness_nm], shim.quantity)
            taken[job.key, shim.thickness_nm] -= gone
            if left := shim.quantity - gone:
                half = problem.uncertainty.of_own(shim.as_own())
                columns.append(Column("tray", shim.thickness_nm, half, left, number, -1, "", 0, ()))
    return columns


def _lot_columns(problem: ShopProblem) -> list[Column]:
    """A column per thickness and condition in the bins, used before new, what is held for one job before what
    any may take; then what is on order."""
    numbers = {job.key: number for number, job in enumerate(problem.jobs)}
    unsure = problem.uncertainty
    columns = []
    stock: defaultdict[tuple[bool, int, int], list[int]] = defaultdict(list)
    for index, lot in enumerate(problem.lots):
        only = len(numbers) if lot.only is None else numbers.get(lot.only, -1)
        if only >= 0:
            stock[lot.condition == "new", lot.thickness_nm, only].append(index)
    for (new, thickness, only), lots in sorted(stock.items()):
        half = unsure.of_condition("new" if new else "used")
        quantity = sum(problem.lots[lot].quantity for lot in lots)
        cost = STOCK_COST["new" if new else "used"]
        only = only if only < len(numbers) else -1
        columns.append(Column("stock", thickness, half, quantity, -1, -1, "", cost, tuple(lots), only))
    order: defaultdict[int, list[int]] = defaultdict(list)
    for index, ordered in enumerate(problem.ordered):
        order[ordered.thickness_nm].append(index)
    for thickness, lots in sorted(order.items()):
        # What comes first is taken first; what nobody knows the day of, last.
        lots.sort(key=lambda lot: (problem.ordered[lot].due is None, str(problem.ordered[lot].due)))
        quantity = sum(problem.ordered[lot].quantity for lot in lots)
        half, cost = unsure.of_condition("new"), STOCK_COST["new"]
        columns.append(Column("order", thickness, half, quantity, -1, -1, "", cost, tuple(lots)))
    return columns


def _pairs(readings: _Readings, columns: Sequence[Column]) -> tuple[IntArray, IntArray]:
    """Every row with every shim in its called window, but for its own and those held for another job."""
    thickness = np.array([column.thickness_nm for column in columns], dtype=np.int64)
    own_row = np.array([column.row for column in columns], dtype=np.int64)
    order = thickness.argsort(kind="stable")
    row, place = _ranges(thickness[order], *readings.window())
    column = order[place]
    only = np.array([column.only for column in columns], dtype=np.int64)[column]
    others = (own_row[column] != row) & ((only < 0) | (only == readings.job[row]))
    return row[others], column[others]


def _ranges(sizes: IntArray, low: IntArray, high: IntArray) -> tuple[IntArray, IntArray]:
    """Per row every place in the rising `sizes` from its low to its high: the rows and the places."""
    first = np.searchsorted(sizes, low, "left")
    many = np.maximum(np.searchsorted(sizes, high, "right") - first, 0)
    row = np.repeat(np.arange(len(low)), many)
    before = many.cumsum() - many
    return row, np.arange(len(row)) + np.repeat(first - before, many)


def _within_reach(rows: Sequence[Row], own: Sequence[Column], pairs: tuple[IntArray, IntArray]) -> BoolArray:
    """Per row whether it needs a change, or its shim could go to a row that is within reach."""
    row, column = pairs
    giver = np.array([one.row for one in own], dtype=np.int64)[column]
    reached = np.array([one.needs for one in rows], dtype=np.bool_)
    while True:
        wider = reached.copy()
        wider[giver[reached[row]]] = True
        if np.array_equal(wider, reached):
            return reached
        reached = wider


def _shim_arcs(ends: Ends) -> Arcs:
    row, column = ends.row, ends.column
    thickness = np.array([one.thickness_nm for one in ends.columns], dtype=np.int64)
    uncertainty = np.array([one.uncertainty_nm for one in ends.columns], dtype=np.int64)
    job = np.array([one.job for one in ends.columns], dtype=np.int64)[column]
    ordered = np.array([one.kind == "order" for one in ends.columns], dtype=np.bool_)[column]
    stock_cost = np.array([one.cost for one in ends.columns], dtype=np.int64)[column]
    row_job = np.array([one.job for one in ends.rows], dtype=np.int64)[row]
    cost = np.zeros((COSTS, len(row)), dtype=np.int32)
    cost[NOT_GUARANTEED], cost[DEVIATION] = ends.readings.fit(row, thickness[column], uncertainty[column])
    cost[OPENED] = 1
    cost[AWAITED] = ordered
    cost[STOCK] = stock_cost + BETWEEN_JOBS * ((job >= 0) & (job != row_job))
    return Arcs(row=row, column=column, cost=cost, good=~ordered)


def _keep_arcs(ends: Ends) -> Arcs:
    """Its own shim, for each valve that need not change."""
    kept = [
        (column.row, place)
        for place, column in enumerate(ends.columns)
        if column.row >= 0 and not ends.rows[column.row].needs
    ]
    row, place = np.array(kept, dtype=np.int64).reshape(len(kept), 2).T
    cost = np.zeros((COSTS, len(kept)), dtype=np.int32)
    return Arcs(row=row, column=place, cost=cost, good=np.ones(len(kept), dtype=np.bool_))


def _buy_arcs(
    problem: ShopProblem, readings: _Readings, rows: Sequence[Row], columns: int
) -> tuple[Arcs, list[int]]:
    """Per row the best size to buy: guaranteed before not, then the nearest to the aim, then the thinner."""
    sizes = {size for job in problem.jobs for size in problem.catalogue.get(job.family, ())}
    made = np.array(sorted(sizes), dtype=np.int64)
    row, place = _ranges(made, *readings.window())
    size = made[place]
    unsure, off = readings.fit(row, size, np.full(len(row), problem.uncertainty.unworn_nm))
    best = np.lexsort((size, off, unsure, row))
    best = best[np.concatenate([[True], row[best][1:] != row[best][:-1]])] if len(best) else best
    buy_nm = np.zeros(len(rows), dtype=np.int64)
    buy_nm[row[best]] = size[best]
    cost = np.zeros((COSTS, len(best)), dtype=np.int32)
    cost[BOUGHT] = cost[OPENED] = 1
    cost[NOT_GUARANTEED], cost[DEVIATION] = unsure[best], off[best]
    good = np.zeros(len(best), dtype=np.bool_)
    return Arcs(row=row[best], column=columns + row[best], cost=cost, good=good), buy_nm.tolist()


def _none_arcs(rows: Sequence[Row], columns: int) -> Arcs:
    needing = np.array([number for number, row in enumerate(rows) if row.needs], dtype=np.int64)
    cost = np.zeros((COSTS, len(needing)), dtype=np.int32)
    cost[UNRESOLVED] = cost[OPENED] = 1
    good = np.zeros(len(needing), dtype=np.bool_)
    return Arcs(row=needing, column=columns + len(rows) + needing, cost=cost, good=good)


def _joined(*arcs: Arcs) -> Arcs:
    return Arcs(
        row=np.concatenate([part.row for part in arcs]),
        column=np.concatenate([part.column for part in arcs]),
        cost=np.concatenate([part.cost for part in arcs], axis=1),
        good=np.concatenate([part.good for part in arcs]),
    )
