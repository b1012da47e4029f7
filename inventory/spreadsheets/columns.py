"""What the columns of a table are, and how a cell becomes a value. Lengths name their unit in the header.

A length column is headed `thickness [mm]`; what stands in its cells is then read by the one module for
lengths, so a figure keeps the decimals that were keyed. A cell may name a unit of its own (`6 thou`), which
is how a length that was keyed in another unit than its column's comes out and back in as it was. Values are
JSON-able: a length is `{"nm": 2650000, "keyed": "2.650 mm"}`, a day is `"2026-03-31"`.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from typing import Any

from inventory.compute.lengths import Length, LengthError, Unit, from_keyed, parse_text
from inventory.spreadsheets.reading import DayCell, EmptyResult, FileRefusedError, Row, UnreadableCell

MOST_WHOLE = 1_000_000_000
_HEADING = re.compile(r"(?P<name>[^\[\]]+?)\s*(\[(?P<unit>[^\[\]]*)\])?\Z")
_WHOLE = re.compile(r"[0-9]{1,10}\Z")
_DECIMAL = re.compile(r"[0-9]{1,8}(\.[0-9]{1,6})?\Z")
_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}\Z")

Values = dict[str, Any]


class Kind(StrEnum):
    TEXT = "text"
    WHOLE = "whole number"
    DECIMAL = "decimal number"
    LENGTH = "length"
    DAY = "day"


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column. `choices`: the only texts it may hold; `required`: whether a cell may be empty."""

    name: str
    kind: Kind = Kind.TEXT
    required: bool = True
    choices: tuple[str, ...] = ()
    longest: int = 400
    unit: Unit = Unit.MM  # of the column when it is exported

    @property
    def heading(self) -> str:
        return f"{self.name} [{self.unit.value}]" if self.kind is Kind.LENGTH else self.name


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """Which cell of a row is which column, and the unit of each length column."""

    places: tuple[tuple[int, Column, Unit | None], ...]
    columns: tuple[Column, ...] = field(default=())

    def values(self, row: Row) -> tuple[Values, list[str]]:
        """The row's values by column name, and what is wrong with it in plain words ([] when nothing)."""
        values: Values = {column.name: None for column in self.columns}
        wrong: list[str] = []
        for place, column, unit in self.places:
            cell = row.cells[place] if place < len(row.cells) else ""
            if isinstance(cell, UnreadableCell):
                wrong.append(f"{column.name}: {cell}")
                continue
            try:
                values[column.name] = _value(column, unit, cell)
            except LengthError as error:
                wrong.append(f"{column.name}: {error.message.rstrip('.')}")
            except ValueError as error:
                wrong.append(f"{column.name}: {error}")
        return values, wrong


def read_header(row: Row, columns: Sequence[Column]) -> Header:
    """Match a table's first row with the columns that are known. Raises FileRefusedError."""
    known = {column.name: column for column in columns}
    places: list[tuple[int, Column, Unit | None]] = []
    seen: set[str] = set()
    for place, cell in enumerate(row.cells):
        if not cell:
            continue
        if isinstance(cell, UnreadableCell):
            raise FileRefusedError(f"The first row must name the columns; its cell {place + 1} {cell}.")
        match = _HEADING.match(cell)
        name = match["name"].strip().lower() if match else ""
        column = known.get(name)
        if match is None or column is None:
            raise FileRefusedError(
                f"There is no column {cell!r}. The columns are: {', '.join(c.heading for c in columns)}."
            )
        if name in seen:
            raise FileRefusedError(f"The column {name} stands there twice.")
        seen.add(name)
        places.append((place, column, _unit(column, match["unit"])))
    missing = [column.heading for column in columns if column.required and column.name not in seen]
    if missing:
        raise FileRefusedError(f"Missing: {', '.join(missing)}. The first row must name the columns.")
    return Header(places=tuple(places), columns=tuple(columns))


def length_of(value: dict[str, Any]) -> Length:
    """The length that a staged value holds."""
    return from_keyed(value["nm"], value["keyed"])


def length_cell(keyed: str, unit: Unit = Unit.MM) -> str:
    """The cell for a length as it was keyed ("2.650 mm"), in a column of this unit; "" for none."""
    return keyed.removesuffix(f" {unit.value}")


def _unit(column: Column, unit: str | None) -> Unit | None:
    if column.kind is not Kind.LENGTH:
        if unit is not None:
            raise FileRefusedError(f"The column {column.name} takes no unit.")
        return None
    try:
        return Unit((unit or "").strip().lower())
    except ValueError:
        raise FileRefusedError(
            f"The column {column.name} must name its unit: {column.name} [mm], [um], [in] or [thou]."
        ) from None


def _meant(column: Column) -> str:
    """What to key into a column's cell, in words."""
    return {
        Kind.TEXT: f"one of {', '.join(column.choices)}" if column.choices else "the text that is meant",
        Kind.WHOLE: "a whole number",
        Kind.DECIMAL: "a number such as 1 or 1.25",
        Kind.LENGTH: "a length such as 2.650",
        Kind.DAY: "a day such as 2026-03-31",
    }[column.kind]


def _value(column: Column, unit: Unit | None, cell: str) -> Any:
    if isinstance(cell, EmptyResult) and column.kind is not Kind.TEXT:
        raise ValueError(
            f"holds a formula that comes to an empty text: key in {_meant(column)}"
            + ("" if column.required else ", or empty the cell")
        )
    if isinstance(cell, DayCell) and column.kind is not Kind.DAY:
        # Spreadsheet programs make one of 2.6 or 3-4 where they are set to.
        raise ValueError(f"holds the date {cell}: set the cell to text and key in {_meant(column)}")
    if cell == "":
        if column.required:
            raise ValueError("must not be empty")
        return None
    if column.kind is Kind.LENGTH:
        length = parse_text(cell, unit)
        return {"nm": length.nm, "keyed": length.keyed}
    if column.kind is Kind.WHOLE:
        if not _WHOLE.match(cell) or int(cell) > MOST_WHOLE:
            raise ValueError(f"{cell!r} is no whole number from 0 to {MOST_WHOLE:,}")
        return int(cell)
    if column.kind is Kind.DECIMAL:
        if not _DECIMAL.match(cell):
            raise ValueError(f"{cell!r} is no number such as 1 or 1.25")
        return cell
    if column.kind is Kind.DAY:
        return _day(cell)
    if column.choices and cell not in column.choices:
        raise ValueError(f"{cell!r} is not one of {', '.join(column.choices)}")
    if len(cell) > column.longest:
        raise ValueError(f"has {len(cell)} characters; {column.longest} is the most")
    return cell


def _day(cell: str) -> str:
    if _DAY.match(cell):
        try:
            return date.fromisoformat(cell).isoformat()
        except ValueError:
            pass
    raise ValueError(f"{cell!r} is no day written like 2026-03-31")
