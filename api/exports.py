"""Tables out: what an import of the same kind takes back, as CSV or XLSX."""

from typing import Any

from django.http import HttpResponseBase

from api import queries
from api.imports import TABLE_KINDS
from api.kinds import Decorator, files
from api.lookups import site_of
from api.queries import QueryParameter
from api.views import ApiView, Call, OnlyJson
from inventory.imports.kinds import headings, kind_of
from inventory.table_files import CSV, XLSX, table_file
from shop.roles import Action

FORMAT = queries.choice("format", "Left out: csv.", ("csv", "xlsx"))


class OrATable(OnlyJson):
    besides = frozenset({CSV, XLSX, "text/*"})


def tables(name: str, summary: str, *, query: tuple[QueryParameter, ...]) -> Decorator:
    """An address that answers a table as a file, CSV or XLSX as the query's `format` says; see `files`."""
    return files(Action.READ, name, summary, media_types=(CSV, XLSX), query=(*query, FORMAT))


class Export(ApiView):
    content_negotiation_class = OrATable

    @tables(
        "export_table",
        f"A table of one site; kinds are {', '.join(TABLE_KINDS)}.",
        query=(
            queries.text("site", "Code of the site; left out where the credential sees only one.", most=20),
        ),
    )
    def get(self, call: Call, kind: str, **path: Any) -> HttpResponseBase:
        table, ending = kind_of(kind), call.query.get("format", "csv")
        site = site_of(call.actor, call.query.get("site"), "?site")
        return table_file(
            f"{table.code}-{site.code}", table.title, ending, headings(table, site), table.export(site)
        )
