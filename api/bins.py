"""Bins: the drawer positions of a site."""

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
from inventory.models import Place, PlaceKind
from inventory.services.catalogue import add_bin
from shop.actor import Actor
from shop.errors import FieldError, Invalid
from shop.roles import Action


class BinSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    site = serializers.CharField(source="site.code")
    code = serializers.CharField()
    cabinet = serializers.CharField(allow_blank=True)
    row = serializers.IntegerField(allow_null=True)
    column = serializers.IntegerField(allow_null=True)
    family = serializers.CharField(source="family.code", allow_null=True, default=None)
    size = LengthField(source="size_nm", allow_null=True)
    capacity = serializers.IntegerField(allow_null=True)


class AddBinSerializer(Body):
    site = Text(most=20, required=False)
    code = Text(most=20)
    cabinet = Text(most=20)
    row = Whole(least=1, most=1000)
    column = Whole(least=1, most=1000)
    family = Text(most=20, required=False, help_text="Kept for this family.")
    size = LengthField(plausible=plausible_shim, required=False, help_text="And for this size of it.")
    capacity = Whole(least=1, most=100_000, required=False)


class BinView(ApiView):
    answer = BinSerializer
    one = "bin"

    def rows(self, sites: list[Any]) -> QuerySet[Place]:
        rows = Place.objects.filter(site__in=sites, kind=PlaceKind.BIN, retired_at=None)
        return rows.select_related("site", "family")

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> Place:
        return one_of(self.rows(list(actor.roles)), lock=lock, **path)


class Bins(BinView):
    @lists(
        Action.READ,
        "list_bins",
        "Bins in use.",
        order=("site__code", "code", "id"),
        query=(SITE, queries.text("family", "Only those kept for this family.", most=20)),
    )
    def get(self, call: Call) -> QuerySet[Place]:
        rows = self.rows(asked_sites(call.actor, call.query))
        return rows.filter(family__code=call.query["family"]) if "family" in call.query else rows

    @creates(
        Action.EDIT_CATALOGUE,
        "add_bin",
        "Add a bin.",
        body=AddBinSerializer,
        example={"site": "north", "code": "B07", "cabinet": "B", "row": 1, "column": 7, "family": "d29"},
    )
    def post(self, call: Call) -> Place:
        body = call.body
        if "size" in body and "family" not in body:
            raise Invalid(
                "A size is one of a family.", errors=[FieldError("/family", "is needed with a size")]
            )
        return add_bin(
            site=site_of(call.actor, body.get("site")),
            actor=call.actor,
            code=body["code"],
            cabinet=body["cabinet"],
            row=body["row"],
            column=body["column"],
            family=family_of(body["family"]) if "family" in body else None,
            size_nm=body["size"].nm if "size" in body else None,
            capacity=body.get("capacity"),
        )


class OneBin(BinView):
    @shows(Action.READ, "bin", "One bin.")
    def get(self, call: Call, **path: Any) -> Place:
        return self.find(call.actor, **path)
