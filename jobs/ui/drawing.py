"""A plan drawn on the engine as it is seen from above: where everything stands, in units of the drawing.

Pure geometry: the template draws it, the style sheet colours it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil

from jobs.models import Job, PlanLine
from jobs.selectors.jobs import ValveSheet
from jobs.ui.engine_grid import Bank, Cylinder, engine_grid
from jobs.ui.lanes import ways

PITCH = 262  # from one bore to the next
BORE = 123
ROW = 63  # from a bore's middle to its rows of valves
MARGIN = 36
GAP = 50  # between two lines of cylinders; shims that move between them go through here
MOST_IN_A_LINE = 6
# Beside each other, by how many stand in a row: how far apart, and how large.
_SPREAD = {1: 0, 2: 92, 3: 84}
_RADIUS = {1: 42, 2: 41, 3: 38}


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnValve:
    """One valve: where, how large, what the plan says of it.

    storey: which row of valves it stands in, counted from the top of the drawing; even ones are upper rows.
    tag: where its shim comes from, in a word, and tag_y puts that word outside the bore's middle.
    """

    sheet: ValveSheet
    line: PlanLine | None
    x: float
    y: float
    radius: float
    storey: int
    tag: str
    tag_y: float

    @property
    def label(self) -> str:
        return self.sheet.valve.label

    @property
    def action(self) -> str:
        return self.line.action if self.line else "none-yet"


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnBore:
    number: int
    x: float
    y: float
    radius: int = BORE


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrow:
    """The way of a shim that moves from one valve to another (see lanes.py)."""

    from_label: str
    to_label: str
    path: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Casting:
    """The outline of one line of cylinders. `bank`: which bank it belongs to, 0 where there is only one."""

    x: float
    y: float
    width: float
    height: float
    bank: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    name: str
    width: float
    height: float
    castings: Sequence[Casting]
    bores: Sequence[DrawnBore]
    valves: Sequence[DrawnValve]
    arrows: Sequence[Arrow]


def draw_plan(valves: Sequence[ValveSheet], *, name: str, in_a_line: int | None = None) -> Drawing:
    """The engine with its plan. `in_a_line`: at most how many cylinders side by side; None for six."""
    banks = engine_grid(valves, lambda sheet: sheet.valve)
    castings: list[Casting] = []
    bores: list[DrawnBore] = []
    drawn: list[DrawnValve] = []
    y = MARGIN
    for bank in banks:
        for line in _lines(bank, in_a_line):
            castings.append(
                Casting(
                    x=MARGIN / 2,
                    y=y - MARGIN / 2,
                    width=len(line) * PITCH + MARGIN,
                    height=PITCH + MARGIN,
                    bank=bank.number if len(banks) > 1 else 0,
                )
            )
            for index, cylinder in enumerate(line):
                middle_x = MARGIN + (index + 0.5) * PITCH
                middle_y = y + PITCH / 2
                bores.append(DrawnBore(number=cylinder.number, x=middle_x, y=middle_y))
                drawn += _valves(cylinder, middle_x, middle_y, storey=2 * (len(castings) - 1))
            y += PITCH + GAP
    height = y - GAP + MARGIN
    return Drawing(
        name=name,
        width=max(casting.width for casting in castings) + MARGIN,
        height=height,
        castings=castings,
        bores=bores,
        valves=drawn,
        arrows=_arrows({valve.label: valve for valve in drawn}, height=height),
    )


def _lines(bank: Bank[ValveSheet], in_a_line: int | None) -> list[list[Cylinder[ValveSheet]]]:
    """The bank's cylinders in lines of at most so many, as equally long as can be."""
    count = len(bank.cylinders)
    lines = ceil(count / (in_a_line or MOST_IN_A_LINE))
    length = ceil(count / lines)
    return [bank.cylinders[start : start + length] for start in range(0, count, length)]


def _valves(
    cylinder: Cylinder[ValveSheet], middle_x: float, middle_y: float, *, storey: int
) -> list[DrawnValve]:
    drawn = []
    for number, row in enumerate(cylinder.rows):
        upper = number == 0
        count = min(len(row), 3)
        y = middle_y + (-ROW if upper else ROW)
        for index, sheet in enumerate(row):
            radius = _RADIUS[count]
            drawn.append(
                DrawnValve(
                    sheet=sheet,
                    line=sheet.line,
                    x=middle_x + (index - (len(row) - 1) / 2) * _SPREAD[count],
                    y=y,
                    radius=radius,
                    storey=storey + (not upper),
                    tag=tag_of(sheet.line),
                    tag_y=y + (-radius - 2 if upper else radius + 2),
                )
            )
    return drawn


def tag_of(line: PlanLine | None) -> str:
    """Where the valve's shim comes from, in a word or two."""
    if line is None:
        return ""
    match line.action:
        case "stock":
            return line.from_place.code if line.from_place else "bin"
        case "swap" | "tray" if line.from_job is not None:
            return short_name(line.from_job)
        case "swap":
            return f"from {line.from_valve}"
        case "order":
            return "on order"
        case "unresolved":
            return "no shim"
    return line.action


def source_of(line: PlanLine) -> str:
    """Where a shim of another job comes from, in full."""
    if line.from_job is None:
        return tag_of(line)
    return f"{line.from_valve or 'tray'} of {short_name(line.from_job)}"


def short_name(job: Job) -> str:
    """What fits beside a valve: the bay that another job is in, else its number."""
    return f"bay {job.bay.number}" if job.bay else f"job {job.number}"


def _arrows(valves: Mapping[str, DrawnValve], *, height: float) -> list[Arrow]:
    swaps = [
        (source, target)
        for target in valves.values()
        if target.line is not None
        and not target.line.handed_over
        and (source := valves.get(target.line.from_valve)) is not None
    ]
    paths = ways(valves.values(), swaps, gutter=MARGIN * 0.8, height=height)
    return [
        Arrow(from_label=source.label, to_label=target.label, path=path)
        for (source, target), path in zip(swaps, paths, strict=True)
    ]
