"""Stock: what is on hand, held and available, bin by bin."""

from collections.abc import Mapping
from typing import Any

from django.db.models import QuerySet, Sum
from rest_framework import serializers

from api import queries
from api.fields import LengthField
from api.kinds import lists
from api.listing import Orderings, asked_order
from api.lookups import asked_sites, site_of
from api.queries import QueryParameter
from api.views import ApiView, Call
from api.words import CONDITIONS
from inventory.compute.lengths import from_nm
from inventory.models import PlaceKind
from inventory.selectors.as_of import lines_until, moment_at
from inventory.selectors.overdue import any_overdue, with_overdue
from inventory.selectors.stock import stock_at
from shop.errors import FieldError, Invalid
from shop.roles import Action

# Where shims lie: in bins; or waiting to be put away, to be looked at, to be fitted, to arrive.
SHELVES = tuple(
    kind.value
    for kind in (
        PlaceKind.BIN,
        PlaceKind.RECEIVING,
        PlaceKind.INSPECTION,
        PlaceKind.TRAY,
        PlaceKind.TRANSIT,
    )
)
SITE = queries.text("site", "Code of a site; left out, every site that the credential sees.", most=20)
FILTERS: tuple[QueryParameter, ...] = (
    SITE,
    queries.text("family", "Code of a shim family.", most=20),
    queries.length("thickness_min", "Not thinner than this, with its unit: 2.6mm."),
    queries.length("thickness_max", "Not thicker than this."),
    queries.choice("condition", "Only of this condition.", CONDITIONS),
    queries.text("bin", "Code of a bin, or of another place.", most=20),
    queries.choice("place_kind", "What lies in places of this kind; left out: in bins.", SHELVES),
    queries.instant("as_of", "As it was then, of one site. What was held then is not kept: null."),
)


class StockSerializer(serializers.Serializer):
    """So many equal shims in one bin. What is not measured is never planned with."""

    site = serializers.CharField()
    family = serializers.CharField()
    thickness = LengthField()
    condition = serializers.ChoiceField(choices=CONDITIONS)
    bin = serializers.CharField(help_text="Its code; that of the place where `place_kind` asks for others.")
    on_hand = serializers.IntegerField()
    held = serializers.IntegerField(allow_null=True, help_text="null with `as_of`.")
    available = serializers.IntegerField(allow_null=True, help_text="null with `as_of`.")


# The list that calculators read most: rows as plain values, rendered by hand (tests hold it to the shape).
COLUMNS = (
    "id",
    "site__code",
    "family__code",
    "thickness_nm",
    "condition",
    "place__code",
    "on_hand",
    "held",
)
ORDER = ("site__code", "family__code", "thickness_nm", "condition", "place__code", "id")


# The same of a past moment, summed up from the lines of the movements until then.
COLUMNS_THEN = (
    "place__site__code",
    "family__code",
    "thickness_nm",
    "condition",
    "place__code",
    "place_id",
)
FILTERS_THEN = {
    "family": "family__code",
    "thickness_min": "thickness_nm__gte",
    "thickness_max": "thickness_nm__lte",
    "condition": "condition",
    "bin": "place__code",
}


ORDERINGS: Orderings = {
    "family": (*ORDER[1:3], "site__code", *ORDER[3:]),
    "thickness": ("thickness_nm", "site__code", "family__code", "condition", "place__code", "id"),
    "bin": ("site__code", "place__code", "family__code", "thickness_nm", "condition", "id"),
}
# The columns of a past moment that have other names.
THEN = {"site__code": "place__site__code", "id": "place_id"}


def order_of(query: Mapping[str, Any]) -> tuple[str, ...]:
    order = asked_order(query, ORDERINGS, ORDER)
    if "as_of" not in query:
        return order
    return tuple(
        "-" * field.startswith("-") + THEN.get(name := field.removeprefix("-"), name) for field in order
    )


def render(row: dict[str, Any]) -> dict[str, Any]:
    then = "site__code" not in row
    held = None if then else row["held"] - row.get("overdue", 0)
    return {
        "site": row["place__site__code" if then else "site__code"],
        "family": row["family__code"],
        "thickness": from_nm(row["thickness_nm"]).as_json(),
        "condition": row["condition"],
        "bin": row["place__code"],
        "on_hand": row["on_hand"],
        "held": held,
        "available": None if held is None else row["on_hand"] - held,
    }


class Stock(ApiView):
    answer = StockSerializer

    @lists(
        Action.READ,
        "list_stock",
        "Shims in bins, or in other places, by site, family, thickness and condition.",
        order=order_of,
        query=FILTERS,
        orderings=ORDERINGS,
        wide=StockSerializer,
        render=render,
    )
    def get(self, call: Call) -> QuerySet[Any, dict[str, Any]]:
        query = call.query
        if "as_of" in query:
            return _stock_then(call)
        sites = asked_sites(call.actor, query)
        rows = stock_at(
            sites,
            family_code=query.get("family"),
            min_nm=query.get("thickness_min"),
            max_nm=query.get("thickness_max"),
            condition=query.get("condition"),
            bin_code=query.get("bin"),
            kind=query.get("place_kind", PlaceKind.BIN),
        )
        if any_overdue(call.at):
            return with_overdue(rows, call.at).values(*COLUMNS, "overdue")
        return rows.values(*COLUMNS)


def _stock_then(call: Call) -> QuerySet[Any, dict[str, Any]]:
    query = call.query
    if query["as_of"] > call.at:
        raise Invalid(
            "Nobody knows the stock of a moment that is still to come.",
            code="invalid-query",
            errors=[FieldError("?as_of", "must not lie in the future")],
        )
    site = site_of(call.actor, query.get("site"), "?site")
    lines = lines_until(
        moment_at(site, query["as_of"]), kinds=frozenset({PlaceKind(query.get("place_kind", PlaceKind.BIN))})
    )
    given = {column: query[name] for name, column in FILTERS_THEN.items() if name in query}
    sums = lines.filter(**given).values(*COLUMNS_THEN).annotate(on_hand=Sum("quantity"))
    return sums.exclude(on_hand=0)
