"""New shims that went back to their supplier."""

from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from api import queries
from api.fields import Body, Identity, LengthField, Several, Text, Whole, Word
from api.kinds import creates, lists, shows
from api.lookups import asked_sites, not_found, one_of, site_of, supplier_of
from api.movements import MOST_LINES, MOST_QUANTITY
from api.stock import SITE
from api.transfers import lots_of
from api.views import ApiView, Call
from api.words import CONDITIONS
from inventory.compute.lengths import plausible_shim
from inventory.models import SupplierClaim, SupplierReturn
from inventory.selectors.claims import claims_of
from inventory.services.supplier_returns import RETURNED_FROM, return_to_supplier
from shop.actor import Actor
from shop.roles import Action


class Taken(serializers.IntegerField):
    """How many shims a line of a movement took out of its place."""

    def to_representation(self, value: int) -> int:
        return -value


class ReturnedLineSerializer(serializers.Serializer):
    place = serializers.CharField(source="place.code")
    family = serializers.CharField(source="family.code")
    thickness = LengthField(source="thickness_nm")
    quantity = Taken()


class SupplierReturnSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    site = serializers.CharField(source="site.code")
    number = serializers.IntegerField()
    supplier = serializers.CharField(source="supplier.code")
    reference = serializers.CharField(allow_blank=True)
    reason = serializers.CharField()
    at = serializers.DateTimeField()
    by = serializers.CharField()
    movement = serializers.UUIDField(source="movement.uid")
    lines = ReturnedLineSerializer(many=True)


class ReturnedLotSerializer(Body):
    place = Text(most=20, help_text="Where they are: a bin, receiving or inspection.")
    family = Text(most=20)
    thickness = LengthField(plausible=plausible_shim)
    condition = Word(choices=CONDITIONS, required=False, help_text="Only new ones go back; left out: new.")
    quantity = Whole(least=1, most=MOST_QUANTITY)


class ReturnToSupplierSerializer(Body):
    site = Text(most=20, required=False)
    supplier = Text(most=20)
    reference = Text(most=80, required=False, help_text="The supplier's own, if any.")
    reason = Text(most=400, help_text="Why.")
    claims = Several(
        child=Identity(), least=0, most=MOST_LINES, required=False, help_text="Claims whose shims these are."
    )
    lines = Several(child=ReturnedLotSerializer(), most=MOST_LINES)


class SupplierReturnView(ApiView):
    answer = SupplierReturnSerializer
    one = "supplier-return"

    def rows(self, sites: list[Any]) -> QuerySet[SupplierReturn]:
        rows = SupplierReturn.objects.filter(site__in=sites).select_related("site", "supplier", "movement")
        return rows.prefetch_related("movement__lines__place", "movement__lines__family")

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> SupplierReturn:
        return one_of(self.rows(list(actor.roles)), lock=lock, **path)


class SupplierReturns(SupplierReturnView):
    @lists(
        Action.READ,
        "list_supplier_returns",
        "What went back to suppliers, newest first.",
        order=("-at", "-id"),
        query=(
            SITE,
            queries.text("supplier", "Only to this supplier.", most=20),
            *queries.period("sent back"),
        ),
        orderings={"at": ("at", "id")},
        wide=SupplierReturnSerializer,
    )
    def get(self, call: Call) -> QuerySet[SupplierReturn]:
        wanted = {"supplier": "supplier__code", "from": "at__gte", "to": "at__lt"}
        return self.rows(asked_sites(call.actor, call.query)).filter(**queries.given(call.query, wanted))

    @creates(
        Action.RETURN_TO_SUPPLIER,
        "return_to_supplier",
        "Send new shims back to a supplier.",
        body=ReturnToSupplierSerializer,
        example={
            "site": "north",
            "supplier": "norrbeck",
            "reason": "Wrong size delivered.",
            "lines": [
                {
                    "place": "receiving",
                    "family": "d29",
                    "thickness": {"value": "2.650", "unit": "mm"},
                    "quantity": 2,
                }
            ],
        },
    )
    def post(self, call: Call) -> SupplierReturn:
        body = call.body
        site = site_of(call.actor, body.get("site"))
        lines = [{"condition": "new", **line} for line in body["lines"]]
        return return_to_supplier(
            site=site,
            actor=call.actor,
            at=call.at,
            supplier=supplier_of(body["supplier"]),
            shims=lots_of(site, lines, RETURNED_FROM),
            reason=body["reason"],
            reference=body.get("reference", ""),
            claims=_claims(call.actor, body.get("claims", [])),
        )


class OneSupplierReturn(SupplierReturnView):
    @shows(Action.READ, "supplier_return", "One return with what was in it.")
    def get(self, call: Call, **path: Any) -> SupplierReturn:
        return self.find(call.actor, **path)


def _claims(actor: Actor, ids: list[Any]) -> list[SupplierClaim]:
    """The claims of these ids. Raises NotFound, naming each that is none."""
    rows = claims_of(list(actor.roles)).filter(pk__in=ids)
    found = {claim.pk: claim for claim in rows}
    missing = [f"/claims/{index}" for index, pk in enumerate(ids) if pk not in found]
    if missing:
        raise not_found(missing[0])
    return list(found.values())
