"""Bins: the drawer positions of a site, and what they are kept for."""

from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from api import queries
from api.fields import Body, LengthField, Text, Whole
from api.kinds import changes, creates, lists, shows
from api.lookups import asked_sites, family_of, one_of, site_of
from api.stock import SITE
from api.views import ApiView, Call
from inventory.compute.lengths import plausible_shim
from inventory.models import Place, PlaceKind
from inventory.services.bins import MOST_POSITION, edit_bin
from inventory.services.catalogue import add_bin
from shop.actor import Actor
from shop.errors import FieldError, Invalid
from shop.roles import Action

IN_USE, RETIRED = "in_use", "retired"


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
    retired_at = serializers.DateTimeField(allow_null=True, help_text="null while it is in use.")


class PositionSerializer(Body):
    cabinet = Text(most=20)
    row = Whole(least=1, most=MOST_POSITION, help_text="From the top.")
    column = Whole(least=1, most=MOST_POSITION, help_text="From the left.")


class AddBinSerializer(PositionSerializer):
    site = Text(most=20, required=False)
    code = Text(most=20)
    family = Text(most=20, required=False, help_text="Kept for this family.")
    size = LengthField(plausible=plausible_shim, required=False, help_text="And for this size of it.")
    capacity = Whole(least=1, most=100_000, required=False)


class EditBinSerializer(Body):
    """What is left out stays as it is; null: any family, any size, as many as may be."""

    family = Text(most=20, required=False, allow_null=True)
    size = LengthField(plausible=plausible_shim, required=False, allow_null=True)
    capacity = Whole(least=1, most=100_000, required=False, allow_null=True)


class BinView(ApiView):
    answer = BinSerializer
    one = "bin"

    def rows(self, sites: list[Any]) -> QuerySet[Place]:
        """Also those that are out of use: their history stays readable."""
        rows = Place.objects.filter(site__in=sites, kind=PlaceKind.BIN)
        return rows.select_related("site", "family")

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> Place:
        # Never locked: cabinets and holds come before bins in the lock law. The services lock the bin in its
        # turn and refuse one that is not of the version that was found here.
        return one_of(self.rows(list(actor.roles)), lock=False, **path)


class Bins(BinView):
    @lists(
        Action.READ,
        "list_bins",
        "Bins.",
        order=("site__code", "code", "id"),
        query=(
            SITE,
            queries.text("family", "Only those kept for this family.", most=20),
            queries.text("code", "Only the one of this code.", most=20),
            queries.text("cabinet", "Only in this cabinet.", most=20),
            queries.choice("state", "Left out: those in use.", (IN_USE, RETIRED)),
        ),
        orderings={"code": ("code", "site__code", "id")},
        wide=BinSerializer,
    )
    def get(self, call: Call) -> QuerySet[Place]:
        query = call.query
        given = queries.given(query, {"family": "family__code", "code": "code", "cabinet": "cabinet"})
        rows = self.rows(asked_sites(call.actor, query)).filter(**given)
        return rows.filter(retired_at__isnull=query.get("state", IN_USE) == IN_USE)

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
            at=call.at,
            code=body["code"],
            cabinet=body["cabinet"],
            row=body["row"],
            column=body["column"],
            family=family_of(body["family"]) if "family" in body else None,
            size_nm=body["size"].nm if "size" in body else None,
            capacity=body.get("capacity"),
        )


class OneBin(BinView):
    @shows(Action.READ, "bin", "One bin, in use or not.")
    def get(self, call: Call, **path: Any) -> Place:
        return self.find(call.actor, **path)

    @changes(
        Action.EDIT_BINS,
        "edit_bin",
        "Say what a bin is kept for and how many shims it takes; what lies in it stays there.",
        body=EditBinSerializer,
        example={"family": "d29", "size": {"value": "2.650", "unit": "mm"}, "capacity": 20},
    )
    def patch(self, call: Call, place: Place) -> Place:
        body = call.body
        family, size_nm = place.family, place.size_nm
        if "family" in body:
            family = family_of(body["family"]) if body["family"] is not None else None
        if "size" in body:
            size_nm = body["size"].nm if body["size"] is not None else None
        return edit_bin(
            place=place,
            actor=call.actor,
            at=call.at,
            family=family,
            size_nm=size_nm,
            capacity=body.get("capacity", place.capacity),
            version=place.version,
        )
