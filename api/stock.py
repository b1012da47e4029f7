"""Stock: what is on hand, held and available, bin by bin."""

from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from api import queries
from api.fields import LengthField
from api.kinds import lists
from api.lookups import asked_sites
from api.queries import QueryParameter
from api.views import ApiView, Call
from api.words import CONDITIONS
from inventory.compute.lengths import from_nm
from inventory.models import Balance
from inventory.selectors.stock import stock_at
from shop.roles import Action

SITE = queries.text("site", "Code of a site; left out, every site that the credential sees.", most=20)
FILTERS: tuple[QueryParameter, ...] = (
    SITE,
    queries.text("family", "Code of a shim family.", most=20),
    queries.length("thickness_min", "Not thinner than this, with its unit: 2.6mm."),
    queries.length("thickness_max", "Not thicker than this."),
    queries.choice("condition", "Only of this condition.", CONDITIONS),
    queries.text("bin", "Code of a bin.", most=20),
)


class StockSerializer(serializers.Serializer):
    """So many equal shims in one bin. What is not measured is never planned with."""

    site = serializers.CharField()
    family = serializers.CharField()
    thickness = LengthField()
    condition = serializers.ChoiceField(choices=CONDITIONS)
    bin = serializers.CharField()
    on_hand = serializers.IntegerField()
    held = serializers.IntegerField()
    available = serializers.IntegerField()


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


def render(row: dict[str, Any]) -> dict[str, Any]:
    return {
        "site": row["site__code"],
        "family": row["family__code"],
        "thickness": from_nm(row["thickness_nm"]).as_json(),
        "condition": row["condition"],
        "bin": row["place__code"],
        "on_hand": row["on_hand"],
        "held": row["held"],
        "available": row["on_hand"] - row["held"],
    }


class Stock(ApiView):
    answer = StockSerializer

    @lists(
        Action.READ,
        "list_stock",
        "Shims in bins by site, family, thickness and condition.",
        order=ORDER,
        query=FILTERS,
        render=render,
    )
    def get(self, call: Call) -> QuerySet[Balance, dict[str, Any]]:
        query = call.query
        rows = stock_at(
            asked_sites(call.actor, query),
            family_code=query.get("family"),
            min_nm=query.get("thickness_min"),
            max_nm=query.get("thickness_max"),
            condition=query.get("condition"),
            bin_code=query.get("bin"),
        )
        return rows.values(*COLUMNS)
