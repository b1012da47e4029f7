"""How many shims of a size each site wants to have available; fewer are told as the event stock.low."""

from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from api import queries
from api.fields import Body, LengthField, Several, Text, Whole
from api.kinds import creates, lists, shows
from api.lookups import asked_sites, families_of_rows, family_of, one_of, site_of
from api.stock import SITE
from api.views import ApiView, Call
from inventory.compute.lengths import plausible_shim
from inventory.models import StockMinimum
from inventory.services.many_rows import MOST_ROWS
from inventory.services.minimums import MOST, MinimumRow, set_minimum, set_minimums_of_rows
from shop.actor import Actor
from shop.roles import Action


class MinimumSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    site = serializers.CharField(source="site.code")
    family = serializers.CharField(source="family.code")
    thickness = LengthField(source="thickness_nm")
    minimum = serializers.IntegerField(help_text="0: it is not watched.")
    low_since = serializers.DateTimeField(
        allow_null=True,
        help_text="Since when fewer are available; used shims count at the nearest made size.",
    )
    changed_at = serializers.DateTimeField()
    changed_by = serializers.CharField()


class MinimumRowSerializer(Body):
    family = Text(most=20)
    thickness = LengthField(plausible=plausible_shim)
    minimum = Whole(least=0, most=MOST)


class SetMinimumSerializer(MinimumRowSerializer):
    site = Text(most=20, required=False)


class SetMinimumsSerializer(Body):
    site = Text(most=20, required=False)
    rows = Several(child=MinimumRowSerializer(), most=MOST_ROWS)


class MinimumView(ApiView):
    answer = MinimumSerializer
    one = "stock-minimum"

    def rows(self, actor: Actor) -> QuerySet[StockMinimum]:
        return StockMinimum.objects.filter(site__in=list(actor.roles)).select_related("site", "family")

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> StockMinimum:
        return one_of(self.rows(actor), lock=lock, **path)


class Minimums(MinimumView):
    @lists(
        Action.READ,
        "list_stock_minimums",
        "Sizes that are watched, by family, the thinnest first.",
        order=("family__code", "thickness_nm", "id"),
        query=(
            SITE,
            queries.text("family", "Only of this family.", most=20),
            queries.choice("low", "Only sizes that have run low, or only the others.", ("true", "false")),
        ),
        orderings={"thickness": ("thickness_nm", "family__code", "id")},
    )
    def get(self, call: Call) -> QuerySet[StockMinimum]:
        rows = self.rows(call.actor).filter(site__in=asked_sites(call.actor, call.query))
        if "low" in call.query:
            rows = rows.filter(low_since__isnull=call.query["low"] == "false")
        return rows.filter(**queries.given(call.query, {"family": "family__code"}))

    @creates(
        Action.SET_MINIMUM,
        "set_stock_minimum",
        "Say how many of a size are to be kept; it takes the place of what was said before.",
        body=SetMinimumSerializer,
        example={
            "site": "north",
            "family": "d29",
            "thickness": {"value": "2.650", "unit": "mm"},
            "minimum": 3,
        },
    )
    def post(self, call: Call) -> StockMinimum:
        body = call.body
        return set_minimum(
            site=site_of(call.actor, body.get("site")),
            actor=call.actor,
            at=call.at,
            family=family_of(body["family"]),
            thickness_nm=body["thickness"].nm,
            minimum=body["minimum"],
        )


class ManyMinimums(MinimumView):
    @creates(
        Action.SET_MINIMUM,
        "set_stock_minimums",
        "Say of many sizes how many are to be kept, all or none; every wrong row is named, and sizes in "
        "no row stay as they are.",
        body=SetMinimumsSerializer,
        example={
            "site": "north",
            "rows": [
                {"family": "d29", "thickness": {"value": "2.650", "unit": "mm"}, "minimum": 3},
                {"family": "d29", "thickness": {"value": "2.675", "unit": "mm"}, "minimum": 2},
            ],
        },
        many=True,
    )
    def post(self, call: Call) -> list[StockMinimum]:
        rows = call.body["rows"]
        families = families_of_rows(rows)
        return set_minimums_of_rows(
            site=site_of(call.actor, call.body.get("site")),
            actor=call.actor,
            at=call.at,
            rows=[
                MinimumRow(
                    family=families[row["family"]],
                    thickness_nm=row["thickness"].nm,
                    minimum=row["minimum"],
                )
                for row in rows
            ],
        )


class OneMinimum(MinimumView):
    @shows(Action.READ, "stock_minimum", "One size that is watched.")
    def get(self, call: Call, **path: Any) -> StockMinimum:
        return self.find(call.actor, **path)
