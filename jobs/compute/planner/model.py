"""The engine as an assignment problem: a row per valve whose choice is not settled, a column per shim.

Promise
    The best plans of a `Problem` are the best assignments of its `Model`, rank by rank in the order that is
    preferred, and equal ones come in the same order. What is left out before, and why no best plan is lost,
    stands in choices.py. A valve that has a single choice after that, and nobody else who asks for it, is
    settled; the others, whose choices rival each other, are the rows.
"""

from dataclasses import dataclass

import numpy as np

from jobs.compute.planner.assignment import EXACT, BoolArray, IntArray, best_of_pairs
from jobs.compute.planner.choices import (
    BOUGHT,
    COST,
    DEVIATION,
    NOT_GUARANTEED,
    OPENED,
    UNRESOLVED,
    Choices,
    Readings,
)
from jobs.compute.planner.kinds import Kinds
from jobs.compute.planner.preference import RANKS, USUAL, Preference
from jobs.compute.planner.types import Problem, Valve

_NONE = np.empty(0, dtype=np.int64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Model:
    """Input of `assignment.best_assignment` and what its rows and columns stand for."""

    valves: list[int]
    """The valves that may change, in order; empty when none needs to."""
    kinds: Kinds
    settled: list[int]
    """Per valve of `valves` the kind that it gets for certain; -1 for those that the rows stand for."""
    rows: list[int]
    """Places in `valves`."""
    columns: list[int]
    """Per column its kind: first those that rows rival for, as often as there are and are asked for; then per
    row the one that is there for it in any case."""
    pairs: tuple[IntArray, IntArray, IntArray]
    """What each row may get: figures (ranks as preferred, pairs), row and column (pairs,)."""
    alike: list[int]
    """Columns with the same number are shims of one kind that rows rival for."""

    def best(self) -> list[int]:
        """Per valve of `valves` the kind that it gets in the first best plan."""
        kinds = self.settled.copy()
        if self.rows:
            for row, column in zip(self.rows, self.assign().tolist(), strict=True):
                kinds[row] = self.columns[column]
        return kinds

    def assign(self, *, exact: int = EXACT) -> IntArray:
        """The best column per row; see `best_of_pairs`."""
        return best_of_pairs(*self.pairs, (len(self.rows), len(self.columns)), self.alike, exact=exact)


def needs_change(valve: Valve) -> bool:
    """Whether this valve is to get another shim: `always`, or out of spec by its called clearance unless
    `never`.
    """
    if valve.adjust == "auto":
        return not valve.min_nm <= valve.passes_nm <= valve.max_nm
    return valve.adjust == "always"


def build_model(problem: Problem, preference: Preference = USUAL) -> Model | None:
    """The assignment problem of this engine, its ranks in the order of the preference; None when no valve
    needs a change. What may be taken is the problem's own affair: see `Preference.restricted`.
    """
    valves = [
        index
        for index, valve in enumerate(problem.valves)
        if valve.shim is not None and valve.adjust != "never"
    ]
    needing = [needs_change(problem.valves[index]) for index in valves]
    if not any(needing):
        return None
    readings = Readings.of(problem, valves, needing)
    kinds = Kinds.of(problem, valves, int(readings.thinnest_nm.min()), int(readings.thickest_nm.max()))
    choices = Choices.of(readings, kinds, preference.order).that_matter(kinds.quantity)
    first = choices.kind[choices.starts]
    rivalled = np.bincount(choices.kind, minlength=len(kinds.quantity)) > kinds.quantity
    unsettled = (np.bincount(choices.row) > 1) | rivalled[first]
    rows = np.flatnonzero(unsettled)
    rivals = choices.take(unsettled[choices.row]) if len(rows) else None
    columns, pairs, alike = _laid_out(rivals, rivalled, kinds, readings, preference.order)
    return Model(
        valves=valves,
        kinds=kinds,
        settled=np.where(unsettled, -1, first).tolist(),
        rows=rows.tolist(),
        columns=columns,
        pairs=pairs,
        alike=alike,
    )


def _laid_out(
    choices: Choices | None, rivalled: BoolArray, kinds: Kinds, readings: Readings, order: list[int]
) -> tuple[list[int], tuple[IntArray, IntArray, IntArray], list[int]]:
    """The columns side by side and what each counts in the rows; see `Model`."""
    if choices is None:
        return [], (_NONE.reshape(len(RANKS), 0), _NONE, _NONE), []
    row, kind = choices.row, choices.kind
    shared = rivalled.nonzero()[0]
    count = len(choices.starts)
    at_row = np.zeros(len(row), dtype=np.int64)
    at_row[choices.starts[1:]] = 1
    at_row = at_row.cumsum()
    place = np.where(rivalled[kind], rivalled.cumsum()[kind] - 1, len(shared) + at_row)
    figures = np.zeros((len(RANKS), len(row)), dtype=np.int64)
    figures[UNRESOLVED] = kind == kinds.none
    figures[BOUGHT] = (kind >= kinds.to_buy.start) & (kind < kinds.to_buy.stop)
    figures[NOT_GUARANTEED] = choices.unsure
    figures[OPENED] = (kind != row) | readings.needing[row]
    figures[COST] = kinds.cost[kind]
    figures[DEVIATION] = choices.off_nm
    kind_of = np.full(len(shared) + count, kinds.none)
    kind_of[place] = kind

    copies = np.ones(len(kind_of), dtype=np.int64)
    copies[: len(shared)] = kinds.quantity[shared]
    times = copies[place]
    each = np.arange(len(row)).repeat(times)
    nth = np.arange(len(each)) - (times.cumsum() - times)[each]
    column = (copies.cumsum() - copies)[place][each] + nth
    return (
        kind_of.repeat(copies).tolist(),
        (figures[order][:, each], at_row[each], column),
        np.arange(len(copies)).repeat(copies).tolist(),
    )
