"""The engine as an assignment problem: a row per valve whose choice is not settled, a column per shim.

Promise
    The best plans of a `Problem` are the best assignments of its `Model`, rank by rank in the order that is
    preferred, and equal ones come in the same order. What is left out before, and why no best plan is lost,
    stands in choices.py. A valve that has a single choice after that, and nobody else who asks for it, is
    settled; the others, whose choices rival each other, are the rows.
"""

from dataclasses import dataclass

import numpy as np

from jobs.compute.planner.assignment import BoolArray, IntArray, best_assignment
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
    layers: IntArray
    """(ranks as preferred, rows, columns)."""
    allowed: BoolArray
    """(rows, columns)."""
    alike: list[int]
    """Columns with the same number are shims of one kind that rows rival for."""

    def best(self) -> list[int]:
        """Per valve of `valves` the kind that it gets in the first best plan."""
        kinds = self.settled.copy()
        if self.rows:
            picked = best_assignment(self.layers, self.allowed, self.alike).tolist()
            for row, column in zip(self.rows, picked, strict=True):
                kinds[row] = self.columns[column]
        return kinds


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
    columns, layers, allowed, alike = _laid_out(rivals, rivalled, kinds, readings, preference.order)
    return Model(
        valves=valves,
        kinds=kinds,
        settled=np.where(unsettled, -1, first).tolist(),
        rows=rows.tolist(),
        columns=columns,
        layers=layers,
        allowed=allowed,
        alike=alike,
    )


def _laid_out(
    choices: Choices | None, rivalled: BoolArray, kinds: Kinds, readings: Readings, order: list[int]
) -> tuple[list[int], IntArray, BoolArray, list[int]]:
    """The columns side by side and what each counts in the rows; see `Model`."""
    if choices is None:
        return [], np.empty((len(RANKS), 0, 0), dtype=np.int64), np.empty((0, 0), dtype=np.bool_), []
    row, kind = choices.row, choices.kind
    shared = np.flatnonzero(rivalled)
    count = len(choices.starts)
    at_row = np.zeros(len(row), dtype=np.int64)
    at_row[choices.starts[1:]] = 1
    at_row = at_row.cumsum()
    column = np.where(rivalled[kind], rivalled.cumsum()[kind] - 1, len(shared) + at_row)

    stays = (kind == row) & ~readings.needing[row]
    layers = np.zeros((len(RANKS), count, len(shared) + count), dtype=np.int64)
    layers[UNRESOLVED, at_row, column] = kind == kinds.none
    layers[BOUGHT, at_row, column] = (kind >= kinds.to_buy.start) & (kind < kinds.to_buy.stop)
    layers[NOT_GUARANTEED, at_row, column] = choices.unsure
    layers[OPENED, at_row, column] = ~stays
    layers[COST, at_row, column] = kinds.cost[kind]
    layers[DEVIATION, at_row, column] = choices.off_nm
    allowed = np.zeros(layers.shape[1:], dtype=np.bool_)
    allowed[at_row, column] = True
    kind_of = np.full(len(shared) + count, kinds.none)
    kind_of[column] = kind

    copies = np.ones(len(kind_of), dtype=np.int64)
    copies[: len(shared)] = kinds.quantity[shared]
    if order != sorted(order):
        layers = layers[order]
    return (
        kind_of.repeat(copies).tolist(),
        layers.repeat(copies, axis=2),
        allowed.repeat(copies, axis=1),
        np.arange(len(copies)).repeat(copies).tolist(),
    )
