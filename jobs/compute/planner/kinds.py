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
DEAREST = max(_COST.values())
"""The most that taking one shim can add."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kinds:
    """First the own shims of the rows, a kind each; then stock of one thickness and condition, used before
    new, from other sites last, each thinnest first; then the sizes that can be bought, thinnest first; then
    no shim. Each array is (kinds,) unless it says otherwise.
    """

    figures: IntArray
    """(3, kinds): the three that follow."""
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
    lot_starts: list[int]
    """Per kind of stock where its lots begin in `in_order`; and the end."""

    @property
    def thickness_nm(self) -> IntArray:
        """0 for no shim."""
        return self.figures[0]

    @property
    def uncertainty_nm(self) -> IntArray:
        return self.figures[1]

    @property
    def cost(self) -> IntArray:
        """What taking one adds to `Score.stock_cost`."""
        return self.figures[2]

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
        # The kinds of stock in order: by what they cost, then by thickness. All in one number per lot, since
        # to look at every lot takes longer than all that follows.
        key = np.array([_KEYS[lot.condition] + lot.thickness_nm for lot in problem.lots], dtype=np.int64)
        elsewhere = [lot.elsewhere for lot in problem.lots]
        if True in elsewhere:
            key += np.array(elsewhere, dtype=np.int64) * (SENT_COST * _KEY)
        thickness = key % _KEY
        reached = ((thickness >= thinnest_nm) & (thickness <= thickest_nm)).nonzero()[0]
        key = key[reached]
        order = key.argsort(kind="stable")
        in_order = reached[order]
        key = key[order]
        begins = begins_of_runs(key)
        costs, thickness = np.divmod(key[begins], _KEY)
        sizes = _sizes(problem.catalogue_nm)

        own, bought = len(shims), len(shims) + len(begins)
        figures = np.zeros((3, bought + len(sizes) + 1), dtype=np.int64)
        figures[0, :own] = [shim.thickness_nm for shim in shims]
        figures[0, own:bought] = thickness
        figures[0, bought:-1] = sizes
        figures[1] = unsure.unworn_nm
        figures[1, :own] = [unsure.of_own(shim) for shim in shims]
        figures[1, own:bought][costs % SENT_COST == STOCK_COST["used"]] = unsure.micrometer_nm
        figures[2, own:bought] = costs
        quantity = np.full(figures.shape[1], _ANY_NUMBER)
        quantity[:own] = 1
        if len(begins):
            held = np.array([lot.quantity for lot in problem.lots], dtype=np.int64)
            quantity[own:bought] = np.add.reduceat(held[in_order], begins)
        by_thickness = figures[0, :-1].argsort(kind="stable")
        return cls(
            figures=figures,
            quantity=quantity,
            by_thickness=by_thickness,
            thinnest_first=figures[0, by_thickness],
            to_buy=slice(bought, bought + len(sizes)),
            in_order=in_order,
            lot_starts=[*begins.tolist(), len(in_order)],
        )


_KEY = 2**31  # above every thickness
_KEYS = {condition: cost * _KEY for condition, cost in STOCK_COST.items()}


def begins_of_runs(values: IntArray) -> IntArray:
    """Where each run of equal values begins."""
    begins = np.ones(len(values), dtype=np.bool_)
    np.not_equal(values[1:], values[:-1], out=begins[1:])
    return begins.nonzero()[0]


def stock_cost(lot: Lot) -> int:
    """What taking one shim of this lot adds to `Score.stock_cost`."""
    return _COST[lot.condition, lot.elsewhere]


@lru_cache(maxsize=256)
def _sizes(catalogue_nm: tuple[int, ...]) -> IntArray:
    """The sizes that can be bought, each once, thinnest first: the same for every engine of a family."""
    sizes = np.array(sorted(set(catalogue_nm)), dtype=np.int64)
    sizes.setflags(write=False)
    return sizes
