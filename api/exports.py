"""Tables out: what an import of the same kind takes back, as CSV or XLSX."""

from typing import Any

from django.http import HttpResponseBase

from api import queries
from api.imports import TABLE_KINDS
from api.kinds import files
from api.lookups import site_of
from api.views import ApiView, Call, OnlyJson
from inventory.imports.kinds import headings, kind_of
from inventory.table_files import CSV, XLSX, table_file
from shop.roles import Action

FORMAT = queries.choice("format", "Left out: csv.", ("csv", "xlsx"))


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
            FORMAT,
        ),
    )
    def get(self, call: Call, kind: str, **path: Any) -> HttpResponseBase:
        table, ending = kind_of(kind), call.query.get("format", "csv")
        site = site_of(call.actor, call.query.get("site"), "?site")
        return table_file(
            f"{table.code}-{site.code}", table.title, ending, headings(table, site), table.export(site)
        )
