"""Read a CSV or XLSX file as rows of text, refusing early what is too large or not what it says it is.

Limits (bar S6): 16 MiB, 60,000 rows, 200 columns, 1,000 characters a cell, UTF-8 only, no NUL; an XLSX may
unpack to at most 256 MiB, and is read as a stream, so memory does not grow with the file.
"""

import csv
import io
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, BinaryIO

from openpyxl import load_workbook
from openpyxl.utils.exceptions import InvalidFileException

from inventory.spreadsheets.cells import unguard

MOST_BYTES = 16 * 1024 * 1024
MOST_ROWS = 60_000
MOST_COLUMNS = 200
MOST_CHARACTERS = 1_000
MOST_UNPACKED = 256 * 1024 * 1024
MOST_RATIO = 200  # a sheet of one repeated value packs to about a hundredth

_FORMULA = re.compile(rb"<(?:[A-Za-z0-9]+:)?f[\s/>]")  # the tag, in whatever prefix the writer gave it


class FileRefusedError(ValueError):
    """Why the file cannot be read, in the user's words, with line and column where there is one."""

    def __init__(self, message: str) -> None:
        super().__init__(message)
        self.message = message


class UnreadableCell(str):
    """Stands for a cell of which no text can be read: why, to go after its column's name."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Row:
    """One row: `number` as a spreadsheet shows it (the header is 1), `cells` trimmed text, "" for empty."""

    number: int
    cells: tuple[str, ...]


def read_rows(file: BinaryIO, name: str) -> Iterator[Row]:
    """The rows of the file's first sheet, header included, empty rows left out. Raises FileRefusedError.

    `name` decides by its ending how the file is read; what is inside must agree.
    """
    size = file.seek(0, io.SEEK_END)
    file.seek(0)
    if size > MOST_BYTES:
        raise FileRefusedError(
            f"The file is {size / 2**20:.1f} MiB; {MOST_BYTES // 2**20} MiB is the most. Split it."
        )
    if size == 0:
        raise FileRefusedError("The file is empty.")
    is_zip = file.read(4) == b"PK\x03\x04"
    file.seek(0)
    ending = name.rsplit(".", 1)[-1].lower() if "." in name else ""
    if ending == "csv" and not is_zip:
        rows = _csv_rows(file)
    elif ending == "xlsx" and is_zip:
        rows = _xlsx_rows(file)
    elif ending in {"csv", "xlsx"}:
        raise FileRefusedError(f"The file is called .{ending} but is not one. Save it anew as CSV or XLSX.")
    else:
        raise FileRefusedError("Only .csv and .xlsx files can be read.")
    return _within_limits(rows)


def _csv_rows(file: BinaryIO) -> Iterator[Row]:
    text = io.TextIOWrapper(file, encoding="utf-8-sig", errors="strict", newline="")
    number = 0
    try:
        separator = _separator(text.read(8192))
        text.seek(0)
        for cells in csv.reader(text, delimiter=separator, strict=True):
            number += 1
            yield Row(number, tuple(cells))
    except UnicodeDecodeError as error:
        raise FileRefusedError(f"After row {number} the file is not UTF-8. Save it as CSV UTF-8.") from error
    except csv.Error as error:
        raise FileRefusedError(f"Row {number + 1} is not CSV: {error}.") from error
    finally:
        text.detach()


def _separator(start: str) -> str:
    """Comma, or what spreadsheet programs write where the comma is the decimal sign: semicolon or tab."""
    first = start.split("\n", 1)[0]
    return max(",;\t", key=first.count)


def _xlsx_rows(file: BinaryIO) -> Iterator[Row]:
    try:
        with zipfile.ZipFile(file) as parts:
            unpacked = sum(part.file_size for part in parts.infolist())
            packed = sum(part.compress_size for part in parts.infolist()) or 1
        if unpacked > MOST_UNPACKED or unpacked / packed > MOST_RATIO:
            raise FileRefusedError("The file unpacks to far more than it should; it is not read.")
        file.seek(0)
        book = load_workbook(file, read_only=True, data_only=True, keep_links=False)
    except (zipfile.BadZipFile, InvalidFileException, KeyError, ValueError) as error:
        if isinstance(error, FileRefusedError):
            raise
        raise FileRefusedError("The file is damaged or no XLSX workbook.") from error
    try:
        sheet = book.worksheets[0]
        sheet.reset_dimensions()  # what a file claims about its size is not believed
        rows = _worked_out(sheet, file) if _has_formulas(file) else sheet.iter_rows(values_only=True)
        for number, cells in enumerate(rows, start=1):
            yield Row(number, tuple(_text(cell) for cell in cells))
    finally:
        book.close()


def _worked_out(sheet: Any, file: BinaryIO) -> Iterator[list[Any]]:
    """The rows of a sheet with formulas in it: what they came to, where the file keeps that."""
    book = load_workbook(file, read_only=True, keep_links=False)
    try:
        formulas = book.worksheets[0]
        formulas.reset_dimensions()
        for results, keyed in zip(sheet.iter_rows(), formulas.iter_rows(), strict=True):
            yield [
                _result(cell, is_formula=it.data_type == "f") for cell, it in zip(results, keyed, strict=True)
            ]
    finally:
        book.close()


def _result(cell: Any, *, is_formula: bool) -> Any:
    if is_formula and cell.data_type == "e":
        return UnreadableCell(
            f"holds a formula that comes to {cell.value}: put it right, or key in what is meant"
        )
    if is_formula and cell.value is None and cell.data_type == "n":  # one that comes to no text is a text
        return UnreadableCell(
            "holds a formula, and the file does not keep what comes out of it: open it in a spreadsheet "
            "program and save it again, or key in what is meant"
        )
    return cell.value


def _has_formulas(file: BinaryIO) -> bool:
    with zipfile.ZipFile(file) as parts:
        sheets = [name for name in parts.namelist() if name.startswith("xl/worksheets/")]
        return any(_has_formula(parts, name) for name in sheets)


def _has_formula(parts: zipfile.ZipFile, name: str) -> bool:
    with parts.open(name) as part:
        kept = b""
        while piece := part.read(2**20):
            if _FORMULA.search(kept + piece):
                return True
            kept = piece[-64:]  # a tag that the pieces part
    return False


def _text(cell: Any) -> str:
    """A cell as the text that was keyed. A number's shortest decimal form is the figure that was keyed in."""
    if isinstance(cell, UnreadableCell):
        return cell
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, int | str):
        return str(cell)
    if isinstance(cell, float):
        return format(Decimal(repr(cell)).normalize(), "f")
    return UnreadableCell("holds a date or something else; only text and numbers can be read")


def _within_limits(rows: Iterator[Row]) -> Iterator[Row]:
    seen = 0
    for row in rows:
        if len(row.cells) > MOST_COLUMNS:
            raise FileRefusedError(
                f"Row {row.number} has {len(row.cells)} columns; {MOST_COLUMNS} is the most."
            )
        for column, cell in enumerate(row.cells, start=1):
            if len(cell) > MOST_CHARACTERS:
                raise FileRefusedError(
                    f"Row {row.number}, column {column} has {len(cell)} characters; "
                    f"{MOST_CHARACTERS:,} is the most."
                )
            if "\0" in cell:
                raise FileRefusedError(f"Row {row.number}, column {column} holds a NUL sign.")
        cells = tuple(
            cell if isinstance(cell, UnreadableCell) else unguard(cell.strip(" ")) for cell in row.cells
        )
        if not any(cells):
            continue
        seen += 1
        if seen > MOST_ROWS + 1:
            raise FileRefusedError(f"The file has more than {MOST_ROWS:,} rows. Split it.")
        yield Row(row.number, cells)
    if not seen:
        raise FileRefusedError("The file has no rows.")
