"""Write rows as CSV (RFC 4180, UTF-8) or XLSX, in the form that `reading` reads back without loss."""

import csv
import io
from collections.abc import Iterable, Iterator, Sequence

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell

from inventory.spreadsheets.cells import guard

Cell = str | int
CHUNK_ROWS = 500


def csv_chunks(header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> Iterator[bytes]:
    """The file in pieces of some hundred rows: an export of any size streams."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow([guard(cell) for cell in header])
    for number, row in enumerate(rows, start=1):
        writer.writerow([cell if isinstance(cell, int) else guard(cell) for cell in row])
        if number % CHUNK_ROWS == 0:
            yield _taken(buffer)
    yield _taken(buffer)


def xlsx_bytes(title: str, header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> bytes:
    """A workbook of one sheet. Texts are written as texts, whole numbers as numbers, formulas never."""
    book = Workbook(write_only=True)
    sheet = book.create_sheet(title[:31])
    sheet.freeze_panes = "A2"
    sheet.append([_string(sheet, cell) for cell in header])
    for row in rows:
        sheet.append([cell if isinstance(cell, int) else _string(sheet, cell) for cell in row])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _string(sheet: object, text: str) -> WriteOnlyCell:
    cell = WriteOnlyCell(sheet, value="")
    cell.value = guard(text)
    cell.data_type = "s"  # openpyxl would make a formula of a text that starts with "="
    return cell


def _taken(buffer: io.StringIO) -> bytes:
    text = buffer.getvalue()
    buffer.seek(0)
    buffer.truncate()
    return text.encode()
