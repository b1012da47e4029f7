"""Rows as a file to keep: CSV or XLSX, with nothing in it that a spreadsheet would take for a formula."""

from collections.abc import Iterable, Sequence
from itertools import islice

from django.http import HttpResponse, HttpResponseBase, StreamingHttpResponse

from inventory.spreadsheets.writing import Cell, csv_chunks, xlsx_bytes
from shop.errors import FieldError, Invalid, NotFound

CSV, XLSX = "text/csv", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
# A workbook is made whole before it is sent; a CSV file streams.
MOST_XLSX_ROWS = 100_000


def table_file(
    name: str, title: str, ending: str, header: Sequence[str], rows: Iterable[Sequence[Cell]]
) -> HttpResponseBase:
    """The rows as `name.ending`. Raises NotFound for another ending, Invalid (code "invalid-query") for a
    workbook that would be too large."""
    answer: HttpResponse | StreamingHttpResponse
    if ending == "csv":
        answer = StreamingHttpResponse(csv_chunks(header, rows), content_type=CSV)
    elif ending == "xlsx":
        found = list(islice(rows, MOST_XLSX_ROWS + 1))
        if len(found) > MOST_XLSX_ROWS:
            words = f"has room for {MOST_XLSX_ROWS:,} rows; take csv"
            raise Invalid(f"A workbook {words}.", code="invalid-query", errors=[FieldError("?format", words)])
        answer = HttpResponse(xlsx_bytes(title, header, found), content_type=XLSX)
    else:
        raise NotFound("A table comes out as csv or xlsx.")
    answer["Content-Disposition"] = f'attachment; filename="{name}.{ending}"'
    return answer
