"""What there is to fit in one engine, by kind: shims that are the same for every plan."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from jobs.compute.planner.assignment import IntArray
from jobs.compute.planner.types import Condition, Lot, Problem

STOCK_COST: dict[Condition, int] = {"used": 1, "new": 2}
"""What taking one shim from stock adds to `Score.stock_cost`."""
SENT_COST = 2
"""What it adds besides where the shim has to be sent from another site: nothing here is dearer than that."""
_ANY_NUMBER = 2**31
_COST = {
    (condition, elsewhere): cost + SENT_COST * elsewhere
    for condition, cost in STOCK_COST.items()
    for elsewhere in (False, True)
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Kinds:
    """First the own shims of the rows, a kind each; then stock of one thickness and condition, used before
    new, from other sites last, each thinnest first; then the sizes that can be bought, thinnest first; then
    no shim. Each array is (kinds,) unless it says otherwise.
    """

    thickness_nm: IntArray
    """0 for no shim."""
    uncertainty_nm: IntArray
    cost: IntArray
    """What taking one adds to `Score.stock_cost`."""
    quantity: IntArray
    """How many there are."""
    by_thickness: IntArray
    """(kinds - 1,): all but no shim, thinnest first."""
    thinnest_first: IntArray
    """(kinds - 1,): their thicknesses."""
    to_buy: slice
    """Which are bought."""
    in_order: IntArray
    """The lots within reach, kind by kind, those of a kind in the order of the problem."""
    lot_starts: IntArray
    """Per kind of stock where its lots begin in `in_order`; and the end."""

    @property
    def none(self) -> int:
        """No shim."""
        return len(self.quantity) - 1

    def lots(self, kind: int, rows: int) -> list[int]:
        """Indices into `Problem.lots` of a kind of stock, in order; empty for any other kind."""
        place = kind - rows
        if not 0 <= place < len(self.lot_starts) - 1:
            return []
        return self.in_order[self.lot_starts[place] : self.lot_starts[place + 1]].tolist()  # type: ignore[no-any-return]

    @classmethod
    def of(cls, problem: Problem, rows: Sequence[int], thinnest_nm: int, thickest_nm: int) -> "Kinds":
        """What the valves `rows` may get, without lots that are thinner or thicker than these lengths."""
        shims = [shim for shim in (problem.valves[index].shim for index in rows) if shim is not None]
        unsure = problem.uncertainty
        within, key = _within(problem.lots, thinnest_nm, thickest_nm)
        order = key.argsort(kind="stable")
        key = key[order]
        begins = begins_of_runs(key)
        cost, thickness = np.divmod(key[begins], _KEY)
        held = np.array([problem.lots[lot].quantity for lot in within.tolist()], dtype=np.int64)
        held = np.add.reduceat(held[order], begins) if len(begins) else held
        sizes = _sizes(problem.catalogue_nm)

        own, stock, buy = len(shims), len(begins), len(sizes)
        thickness_nm = np.concatenate(
            [np.array([shim.thickness_nm for shim in shims], dtype=np.int64), thickness, sizes, _NOTHING]
        )
        uncertainty_nm = np.full(own + stock + buy + 1, unsure.unworn_nm)
        uncertainty_nm[:own] = [unsure.of_own(shim) for shim in shims]
        uncertainty_nm[own : own + stock][cost % SENT_COST == STOCK_COST["used"]] = unsure.micrometer_nm
        costs = np.zeros_like(uncertainty_nm)
        costs[own : own + stock] = cost
        quantity = np.full_like(costs, _ANY_NUMBER)
        quantity[:own] = 1
        quantity[own : own + stock] = held
        by_thickness = thickness_nm[:-1].argsort(kind="stable")
        return cls(
            thickness_nm=thickness_nm,
            uncertainty_nm=uncertainty_nm,
            cost=costs,
            quantity=quantity,
            by_thickness=by_thickness,
            thinnest_first=thickness_nm[by_thickness],
            to_buy=slice(own + stock, own + stock + buy),
            in_order=within[order],
            lot_starts=np.append(begins, len(order)),
        )


_KEY = 2**31  # above every thickness
_NOTHING = np.zeros(1, dtype=np.int64)


def begins_of_runs(values: IntArray) -> IntArray:
    """Where each run of equal values begins."""
    begins = np.ones(len(values), dtype=np.bool_)
    np.not_equal(values[1:], values[:-1], out=begins[1:])
    return begins.nonzero()[0]


def stock_cost(lot: Lot) -> int:
    """What taking one shim of this lot adds to `Score.stock_cost`."""
    return _COST[lot.condition, lot.elsewhere]


def _within(lots: Sequence[Lot], thinnest_nm: int, thickest_nm: int) -> tuple[IntArray, IntArray]:
    """The lots of these thicknesses, and a number for each by which the kinds of stock are in order."""
    thickness = np.array([lot.thickness_nm for lot in lots], dtype=np.int64)
    within = np.flatnonzero((thickness >= thinnest_nm) & (thickness <= thickest_nm))
    costs = [_COST[lot.condition, lot.elsewhere] for lot in (lots[index] for index in within.tolist())]
    return within, np.array(costs, dtype=np.int64) * _KEY + thickness[within]


@lru_cache(maxsize=256)
def _sizes(catalogue_nm: tuple[int, ...]) -> IntArray:
    """The sizes that can be bought, each once, thinnest first: the same for every engine of a family."""
    sizes = np.array(sorted(set(catalogue_nm)), dtype=np.int64)
    sizes.setflags(write=False)
    return sizes
