"""Tables out: what an import of the same kind takes back, as CSV or XLSX."""

from itertools import islice
from typing import Any

from django.http import HttpResponse, HttpResponseBase, StreamingHttpResponse

from api import queries
from api.imports import TABLE_KINDS
from api.kinds import files
from api.lookups import site_of
from api.views import ApiView, Call, OnlyJson
from inventory.imports.kinds import headings, kind_of
from inventory.spreadsheets.writing import csv_chunks, xlsx_bytes
from shop.errors import FieldError, Invalid
from shop.roles import Action

CSV, XLSX = "text/csv", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
# A workbook is made whole before it is sent; a CSV file streams.
MOST_XLSX_ROWS = 100_000


class OrATable(OnlyJson):
    besides = frozenset({CSV, XLSX, "text/*"})


class Export(ApiView):
    content_negotiation_class = OrATable

    @files(
        Action.READ,
        "export_table",
        f"A table of one site; kinds are {', '.join(TABLE_KINDS)}.",
        media_types=(CSV, XLSX),
        query=(
            queries.text("site", "Code of the site; left out where the credential sees only one.", most=20),
            queries.choice("format", "Left out: csv.", ("csv", "xlsx")),
        ),
    )
    def get(self, call: Call, kind: str, **path: Any) -> HttpResponseBase:
        table, ending = kind_of(kind), call.query.get("format", "csv")
        site = site_of(call.actor, call.query.get("site"), "?site")
        header = headings(table, site)
        answer: HttpResponseBase
        if ending == "csv":
            answer = StreamingHttpResponse(csv_chunks(header, table.export(site)), content_type=CSV)
        else:
            rows = list(islice(table.export(site), MOST_XLSX_ROWS + 1))
            if len(rows) > MOST_XLSX_ROWS:
                words = f"has room for {MOST_XLSX_ROWS:,} rows; take csv"
                raise Invalid(
                    f"A workbook {words}.", code="invalid-query", errors=[FieldError("?format", words)]
                )
            answer = HttpResponse(xlsx_bytes(table.title, header, rows), content_type=XLSX)
        answer["Content-Disposition"] = f'attachment; filename="{table.code}-{site.code}.{ending}"'
        return answer
