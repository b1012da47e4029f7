"""Where the valves of an engine are: a label for each, and its place on the engine seen from above.

Promise
    `positions` gives every valve one label and one place (bank, row, column), the same for the same layout,
    and no two valves share either. A label says cylinder and side and, where the side has several valves,
    which of them: "2-EX", "2-IN-L", "2-IN-R", with "-M" between them where there are three. It does not
    depend on the firing order.

How the engine is seen
    From above, its front to the left. An engine in line is one bank: the intake valves are row 0, the exhaust
    valves row 1, and the cylinders run from left to right. In a V or flat engine bank 1 is drawn above bank 2
    and holds the first half of the cylinders; the inner rows, which face the other bank, are the intake ones:
    bank 1 has exhaust in row 0 and intake in row 1, bank 2 intake in row 0 and exhaust in row 1. L and R are
    left and right in this picture. A valve stands in one column; where a cylinder has unlike numbers of
    intake and exhaust valves they stand between each other: the one exhaust valve in the column between the
    two intake.

Limits
    1 to 16 cylinders in one or two banks of equal length, 1 to 3 intake and 1 to 2 exhaust valves a cylinder.
    No engine maker's own numbering is known here; who keys in an engine whose maker counts otherwise says so
    in its name.
"""

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

Side = Literal["intake", "exhaust"]

MAX_CYLINDERS = 16
MAX_INTAKE = 3
MAX_EXHAUST = 2
_SHORT: dict[Side, str] = {"intake": "IN", "exhaust": "EX"}
_WHICH = {1: ("",), 2: ("-L", "-R"), 3: ("-L", "-M", "-R")}


@dataclass(frozen=True, slots=True, kw_only=True)
class EngineLayout:
    """How many cylinders and valves an engine has. Raises ValueError for what `faults` names."""

    cylinders: int
    """1 to 16."""
    banks: int = 1
    """1 in line, 2 for a V or flat engine; then the number of cylinders is even."""
    intake_per_cylinder: int
    """1 to 3."""
    exhaust_per_cylinder: int
    """1 to 2."""

    def __post_init__(self) -> None:
        wrong = faults(
            cylinders=self.cylinders,
            banks=self.banks,
            intake_per_cylinder=self.intake_per_cylinder,
            exhaust_per_cylinder=self.exhaust_per_cylinder,
        )
        if wrong:
            raise ValueError("; ".join(f"{name} {text}" for name, text in wrong.items()))

    @property
    def valves(self) -> int:
        return self.cylinders * (self.intake_per_cylinder + self.exhaust_per_cylinder)


@dataclass(frozen=True, slots=True, kw_only=True)
class Position:
    """One valve. Rows and columns count from 0 within the bank, banks and cylinders from 1."""

    label: str
    cylinder: int
    side: Side
    bank: int
    row: int
    column: int
    order: int
    """In which order valves are listed and keyed in: cylinder by cylinder, intake first, left to right."""


def keyed_places(valves: Sequence[tuple[str, Side]]) -> tuple[Position, ...]:
    """A place for each of an engine's valves, (label, side), that were keyed by hand: one bank, intake above.

    The number that a label begins with is its cylinder, as in "2-IN-L". Where a label begins with none, or
    more than three valves of a side would be in one cylinder, two valves of each side share a cylinder in the
    order in which they were keyed; the drawing then tells them apart by their labels alone.
    """
    numbers = [_number(label) for label, _ in valves]
    crowd = Counter(zip(numbers, (side for _, side in valves), strict=True))
    if None in numbers or (crowd and max(crowd.values()) > MAX_INTAKE):
        dealt: Counter[Side] = Counter()
        numbers = []
        for _, side in valves:
            numbers.append(dealt[side] // 2 + 1)
            dealt[side] += 1
    columns: Counter[tuple[int | None, Side]] = Counter()
    placed = []
    for order, ((label, side), number) in enumerate(zip(valves, numbers, strict=True)):
        placed.append(
            Position(
                label=label,
                cylinder=number or 1,
                side=side,
                bank=1,
                row=int(side != "intake"),
                column=columns[number, side],
                order=order,
            )
        )
        columns[number, side] += 1
    return tuple(placed)


def _number(label: str) -> int | None:
    found = re.match(r"[0-9]{1,2}(?![0-9])", label)
    return int(found[0]) if found and int(found[0]) else None


def faults(
    *, cylinders: int, banks: int, intake_per_cylinder: int, exhaust_per_cylinder: int
) -> dict[str, str]:
    """What is wrong with a layout, by the name of the figure; {} when it is one that can be drawn."""
    wrong = {
        name: f"must be 1 to {most}, not {figure}"
        for name, figure, most in (
            ("cylinders", cylinders, MAX_CYLINDERS),
            ("banks", banks, 2),
            ("intake_per_cylinder", intake_per_cylinder, MAX_INTAKE),
            ("exhaust_per_cylinder", exhaust_per_cylinder, MAX_EXHAUST),
        )
        if not 1 <= figure <= most
    }
    if not wrong and cylinders % banks:
        wrong["cylinders"] = f"must be even for an engine of two banks, not {cylinders}"
    return wrong


def positions(layout: EngineLayout) -> tuple[Position, ...]:
    """Every valve of the engine in the order in which valves are listed."""
    return tuple(
        Position(label=label, cylinder=cylinder, side=side, bank=bank, row=row, column=column, order=order)
        for order, (label, cylinder, side, bank, row, column) in enumerate(_places(layout))
    )


def _places(layout: EngineLayout) -> Iterator[tuple[str, int, Side, int, int, int]]:
    a_bank = layout.cylinders // layout.banks
    counts: dict[Side, int] = {
        "intake": layout.intake_per_cylinder,
        "exhaust": layout.exhaust_per_cylinder,
    }
    unlike = layout.intake_per_cylinder != layout.exhaust_per_cylinder
    most = max(counts.values())
    # Unlike numbers stand between each other, so a cylinder has a column for every gap as well.
    width = 2 * most - 1 if unlike else most
    for cylinder in range(1, layout.cylinders + 1):
        bank, in_bank = divmod(cylinder - 1, a_bank)
        for side, count in counts.items():
            intake_below = layout.banks == 2 and bank == 0
            row = int((side == "intake") == intake_below)
            for index, which in enumerate(_WHICH[count]):
                offset = (most - count) + 2 * index if unlike else index
                label = f"{cylinder}-{_SHORT[side]}{which}"
                yield label, cylinder, side, bank + 1, row, in_bank * width + offset
