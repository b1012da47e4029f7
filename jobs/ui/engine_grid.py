"""An engine seen from above as rows of cylinders, for the sheets and for the drawing.

What is laid out are cells: anything that belongs to one valve. Within a cylinder they stand as the valves do,
the upper row first; that is also the order in which they are keyed in.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Generic, TypeVar, cast

from jobs.compute.layout import Side, keyed_places
from jobs.models import JobValve

Cell = TypeVar("Cell")


@dataclass(slots=True, kw_only=True)
class Cylinder(Generic[Cell]):
    """One cylinder; `rows` hold its cells from the upper row down, each from left to right."""

    number: int
    rows: list[list[Cell]] = field(default_factory=list)


@dataclass(slots=True, kw_only=True)
class Bank(Generic[Cell]):
    """One bank, its cylinders from left to right; `number` counts from 1."""

    number: int
    cylinders: list[Cylinder[Cell]] = field(default_factory=list)


def engine_grid(cells: Iterable[Cell], valve_of: Callable[[Cell], JobValve]) -> list[Bank[Cell]]:
    """The cells by bank, cylinder and row. Valves that were keyed by hand have no position; theirs follows
    from their labels, so all cells of the engine must be given at once."""
    cells = list(cells)
    places = _places([valve_of(cell) for cell in cells])
    placed = sorted(cells, key=lambda cell: places[valve_of(cell).label])
    banks: list[Bank[Cell]] = []
    last_row: tuple[int, int, int] | None = None
    for cell in placed:
        bank, cylinder, row, _column = places[valve_of(cell).label]
        if not banks or banks[-1].number != bank:
            banks.append(Bank(number=bank))
        cylinders = banks[-1].cylinders
        if not cylinders or cylinders[-1].number != cylinder:
            cylinders.append(Cylinder(number=cylinder))
        if last_row != (bank, cylinder, row):
            cylinders[-1].rows.append([])
            last_row = (bank, cylinder, row)
        cylinders[-1].rows[-1].append(cell)
    return banks


def _places(valves: list[JobValve]) -> dict[str, tuple[int, int, int, int]]:
    by_hand = sorted((valve for valve in valves if valve.position is None), key=lambda valve: valve.order)
    keyed = keyed_places([(valve.label, cast(Side, valve.side)) for valve in by_hand])
    positions = {valve.label: valve.position for valve in valves if valve.position is not None}
    return {
        label: (place.bank, place.cylinder, place.row, place.column)
        for label, place in (*positions.items(), *((place.label, place) for place in keyed))
    }
