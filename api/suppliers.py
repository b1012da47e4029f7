"""Suppliers and what they ask for a shim."""

from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from api import queries
from api.fields import Body, HourOfDay, Ratio, Several, Text, Whole
from api.kinds import changes, creates, lists, shows
from api.lookups import families_of, one_of
from api.views import ApiView, Call
from inventory.models import Offer, Supplier
from inventory.services.catalogue import add_supplier, change_supplier, set_offer
from shop.actor import Actor
from shop.roles import Action

MOST_OFFERS = 100
MOST_LEAD_DAYS = 365


class SupplierOfferSerializer(serializers.Serializer):
    family = serializers.CharField(source="family.code")
    price = serializers.DecimalField(max_digits=12, decimal_places=4)
    currency = serializers.CharField()


class SupplierSerializer(serializers.Serializer):
    code = serializers.CharField()
    name = serializers.CharField()
    lead_days = serializers.IntegerField()
    currency = serializers.CharField(allow_blank=True)
    minimum_value = serializers.DecimalField(max_digits=12, decimal_places=4)
    minimum_pieces = serializers.IntegerField()
    delivery_fee = serializers.DecimalField(max_digits=12, decimal_places=4)
    free_from = serializers.DecimalField(max_digits=12, decimal_places=4, allow_null=True)
    cut_off = HourOfDay(allow_null=True)
    holidays = serializers.ListField(child=serializers.DateField())
    email = serializers.CharField(allow_blank=True)
    our_number = serializers.CharField(allow_blank=True)
    offers = SupplierOfferSerializer(many=True, source="offers.all")


class OfferSerializer(Body):
    family = Text(most=20)
    price = Ratio(max_digits=12, decimal_places=4, min_value=0, help_text="Of one shim of any size.")
    currency = Text(most=3, help_text="Three letters (ISO 4217).")


class AddSupplierSerializer(Body):
    code = Text(most=20)
    name = Text(most=80)
    lead_days = Whole(least=0, most=MOST_LEAD_DAYS)
    offers = Several(child=OfferSerializer(), least=0, most=MOST_OFFERS, required=False)


class ChangeSupplierSerializer(Body):
    name = Text(most=80, required=False)
    lead_days = Whole(least=0, most=MOST_LEAD_DAYS, required=False)
    offers = Several(
        child=OfferSerializer(),
        most=MOST_OFFERS,
        required=False,
        help_text="Prices of these families; those of other families stay.",
    )


EXAMPLE = {
    "name": "Norrbeck & Daughter",
    "lead_days": 2,
    "offers": [{"family": "d29", "price": "3.40", "currency": "EUR"}],
}


class SupplierView(ApiView):
    answer = SupplierSerializer
    one = "supplier"

    def rows(self) -> QuerySet[Supplier]:
        return Supplier.objects.prefetch_related("offers__family")

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> Supplier:
        return one_of(self.rows(), lock=lock, **path)

    def path_of(self, thing: Supplier) -> dict[str, Any]:
        return {"code": thing.code}

    def offer(self, call: Call, supplier: Supplier) -> None:
        offers = call.body.get("offers", ())
        families = families_of((f"/offers/{i}/family", offer["family"]) for i, offer in enumerate(offers))
        for offer in offers:
            set_offer(
                actor=call.actor,
                supplier=supplier,
                family=families[offer["family"]],
                price=offer["price"],
                currency=offer["currency"],
            )


class Suppliers(SupplierView):
    @lists(
        Action.READ,
        "list_suppliers",
        "Who sells shims, at what price each.",
        order=("code", "id"),
        query=(queries.text("family", "Only who sells any size of the family of this code.", most=20),),
        orderings={"code": ("code", "id"), "name": ("name", "id")},
        wide=SupplierSerializer,
    )
    def get(self, call: Call) -> QuerySet[Supplier]:
        if "family" not in call.query:
            return self.rows()
        selling = Offer.objects.filter(family__code=call.query["family"])
        return self.rows().filter(pk__in=selling.values("supplier"))

    @creates(
        Action.EDIT_CATALOGUE,
        "add_supplier",
        "Enter a supplier.",
        body=AddSupplierSerializer,
        example={"code": "norrbeck", **EXAMPLE},
    )
    def post(self, call: Call) -> Supplier:
        particulars = {name: call.body[name] for name in ("code", "name", "lead_days")}
        supplier = add_supplier(actor=call.actor, **particulars)
        self.offer(call, supplier)
        return supplier


class OneSupplier(SupplierView):
    @shows(Action.READ, "supplier", "One supplier.")
    def get(self, call: Call, code: str) -> Supplier:
        return self.find(call.actor, code=code)

    @changes(
        Action.EDIT_CATALOGUE,
        "change_supplier",
        "Another name, time to deliver, or prices.",
        body=ChangeSupplierSerializer,
        example=EXAMPLE,
    )
    def patch(self, call: Call, supplier: Supplier) -> Supplier:
        body = call.body
        particulars = {name: body[name] for name in ("name", "lead_days") if name in body}
        if particulars:
            change_supplier(actor=call.actor, supplier=supplier, **particulars)
        self.offer(call, supplier)
        return supplier
