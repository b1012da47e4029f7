"""How many shims of a size each site wants to have available; fewer are told as the event stock.low."""

from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from api import queries
from api.fields import Body, LengthField, Text, Whole
from api.kinds import creates, lists, shows
from api.lookups import asked_sites, family_of, one_of, site_of
from api.stock import SITE
from api.views import ApiView, Call
from inventory.compute.lengths import plausible_shim
from inventory.models import StockMinimum
from inventory.services.minimums import MOST, set_minimum
from shop.actor import Actor
from shop.roles import Action


class MinimumSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    site = serializers.CharField(source="site.code")
    family = serializers.CharField(source="family.code")
    thickness = LengthField(source="thickness_nm")
    minimum = serializers.IntegerField(help_text="0: it is not watched.")
    low_since = serializers.DateTimeField(allow_null=True, help_text="Since when fewer are available.")
    changed_at = serializers.DateTimeField()
    changed_by = serializers.CharField()


class SetMinimumSerializer(Body):
    site = Text(most=20, required=False)
    family = Text(most=20)
    thickness = LengthField(plausible=plausible_shim)
    minimum = Whole(least=0, most=MOST)


class MinimumView(ApiView):
    answer = MinimumSerializer
    one = "stock-minimum"

    def rows(self, sites: list[Any]) -> QuerySet[StockMinimum]:
        return StockMinimum.objects.filter(site__in=sites).select_related("site", "family")

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> StockMinimum:
        return one_of(self.rows(list(actor.roles)), lock=lock, **path)


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
        rows = self.rows(asked_sites(call.actor, call.query))
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


class OneMinimum(MinimumView):
    @shows(Action.READ, "stock_minimum", "One size that is watched.")
    def get(self, call: Call, **path: Any) -> StockMinimum:
        return self.find(call.actor, **path)
