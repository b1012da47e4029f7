"""Read a CSV or XLSX file as rows of text, refusing early what is too large or not what it says it is.

Limits (bar S6): 16 MiB, 60,000 rows, 200 columns, 1,000 characters a cell, UTF-8 only, no NUL; an XLSX may
unpack to at most 256 MiB, and is read as a stream, so memory does not grow with the file.
"""

import csv
import io
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time
from decimal import Decimal
from typing import Any, BinaryIO
from xml.parsers import expat

from openpyxl import load_workbook
from openpyxl.formula.tokenizer import TokenizerError
from openpyxl.utils.exceptions import InvalidFileException
from openpyxl.xml.constants import SHEET_MAIN_NS

from inventory.spreadsheets.cells import unguard

MOST_BYTES = 16 * 1024 * 1024
MOST_ROWS = 60_000
MOST_COLUMNS = 200
MOST_CHARACTERS = 1_000
MOST_UNPACKED = 256 * 1024 * 1024
MOST_RATIO = 200  # a sheet of one repeated value packs to about a hundredth

# What the reader of workbooks says of files that are none, or were cut or changed on their way.
_DAMAGED = (
    zipfile.BadZipFile,
    zlib.error,
    InvalidFileException,
    TokenizerError,
    EOFError,
    LookupError,
    RuntimeError,
    SyntaxError,  # XML that is none
    ValueError,
)


class FileRefusedError(ValueError):
    """Why the file cannot be read, in the user's words, with line and column where there is one."""

    def __init__(self, message: str) -> None:
        super().__init__(message)
        self.message = message


class UnreadableCell(str):
    """Stands for a cell of which no text can be read: why, to go after its column's name."""

    __slots__ = ()


class DayCell(str):
    """The day of a cell that holds a date, like 2026-03-31."""

    __slots__ = ()


class EmptyResult(str):
    """Stands for a cell whose formula comes to an empty text: no figure, and not left empty either."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Row:
    """One row: `number` as a spreadsheet shows it (the header is 1), `cells` trimmed text, "" for empty."""

    number: int
    cells: tuple[str, ...]


_MARKED = (UnreadableCell, DayCell, EmptyResult)


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
        try:
            sheet = book.worksheets[0]
            sheet.reset_dimensions()  # what a file claims about its size is not believed
            rows = _worked_out(sheet, file) if _has_formulas(sheet) else _as_they_are(sheet)
            for number, cells in enumerate(rows, start=1):
                yield Row(number, tuple(cells))
        finally:
            book.close()
    except _DAMAGED as error:
        if isinstance(error, FileRefusedError):
            raise
        raise FileRefusedError("The file is damaged or no XLSX workbook.") from error


def _as_they_are(sheet: Any) -> Iterator[list[str]]:
    for cells in sheet.iter_rows():
        yield [_text(cell) for cell in cells]


def _worked_out(sheet: Any, file: BinaryIO) -> Iterator[list[str]]:
    """The rows of a sheet with formulas in it: what they came to, where the file keeps that."""
    book = load_workbook(file, read_only=True, keep_links=False)
    try:
        formulas = book.worksheets[0]
        formulas.reset_dimensions()
        for results, keyed in zip(sheet.iter_rows(), formulas.iter_rows(), strict=True):
            yield [
                _result(cell) if it.data_type == "f" else _text(cell)
                for cell, it in zip(results, keyed, strict=True)
            ]
    finally:
        book.close()


def _result(cell: Any) -> str:
    """What a formula came to, as text."""
    if cell.value is None and cell.data_type not in {"str", "s", "inlineStr"}:
        return UnreadableCell(
            "holds a formula, and the file does not keep what comes out of it: open it in a spreadsheet "
            "program and save it again, or key in what is meant"
        )
    if cell.data_type == "e":
        return UnreadableCell(
            f"holds a formula that comes to {cell.value}: put it right, or key in what is meant"
        )
    return _text(cell) or EmptyResult()


def _has_formulas(sheet: Any) -> bool:
    """Whether a formula stands in the sheet's own part of the file, wherever in it that is and however it is
    written."""
    found = False

    def begun(name: str, _attributes: dict[str, str]) -> None:
        nonlocal found
        found = found or name == f"{SHEET_MAIN_NS} f"

    parser = expat.ParserCreate(namespace_separator=" ")
    parser.StartElementHandler = begun
    with sheet._get_source() as part:
        try:
            while not found and (piece := part.read(2**20)):
                parser.Parse(piece)
            if not found:
                parser.Parse(b"", True)
        except expat.ExpatError as error:
            raise ValueError("the sheet is no XML") from error
    return found


def _text(cell: Any) -> str:
    """A cell as the text that was keyed. A number's shortest decimal form is the figure that was keyed in."""
    value = cell.value
    if cell.data_type == "e":
        # What pasting the values of formulas leaves; the same letters as a text are a text.
        return UnreadableCell(f"holds the error {value or 'of a formula'}: key in what is meant")
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | str):
        return str(value)
    if isinstance(value, float):
        return format(Decimal(repr(value)).normalize(), "f")
    if isinstance(value, datetime) and value.time() == time.min:
        return DayCell(value.date().isoformat())
    if isinstance(value, date) and not isinstance(value, datetime):
        return DayCell(value.isoformat())
    return UnreadableCell("holds a time of day: key in what is meant without one")


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
        cells = tuple(cell if isinstance(cell, _MARKED) else unguard(cell.strip(" ")) for cell in row.cells)
        if not any(cells):
            continue
        seen += 1
        if seen > MOST_ROWS + 1:
            raise FileRefusedError(f"The file has more than {MOST_ROWS:,} rows. Split it.")
        yield Row(row.number, cells)
    if not seen:
        raise FileRefusedError("The file has no rows.")
