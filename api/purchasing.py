"""Purchase lists: gathered, bought, received."""

import uuid
from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from api import queries
from api.fields import Body, Flag, Identity, LengthField, Ratio, Several, Text, Whole
from api.kinds import acts, creates, lists, shows
from api.lookups import asked_sites, bins_of, families_of, one_of, site_of, supplier_of
from api.pointers import as_sent
from api.stock import SITE
from api.views import ApiView, Call
from api.words import PURCHASE_LIST_STATES
from inventory.compute.lengths import plausible_shim
from inventory.models import PurchaseList
from inventory.services.purchasing import Buy, cancel_purchase, mark_bought
from inventory.services.receipts import Found
from inventory.services.receiving import receive_purchase
from shop.actor import Actor
from shop.errors import FieldError, Invalid
from shop.roles import Action

MOST_LINES = 250
MOST_QUANTITY = 100_000
MOST_MEASURED = 100
# Field of the body -> field of what was found.
FOUND = {name: name for name in ("over", "damaged", "wrong", "short", "measured", "price")} | {
    "wrong_thickness": "wrong_nm"
}


LIST_FILTERS = {
    "state": "state",
    "supplier": "supplier__code",
    "reference": "reference",
    "from": "created_at__gte",
    "to": "created_at__lt",
}


class PurchaseLineSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    family = serializers.CharField(source="family.code")
    thickness = LengthField(source="thickness_nm")
    quantity = serializers.IntegerField()
    received = serializers.IntegerField()
    price = serializers.DecimalField(max_digits=12, decimal_places=4, allow_null=True)
    currency = serializers.CharField(allow_blank=True)
    part_number = serializers.CharField(allow_blank=True)
    pack = serializers.IntegerField(help_text="Shims in one pack; `price` is of one.")
    packs = serializers.IntegerField()
    amount = serializers.DecimalField(max_digits=14, decimal_places=4, allow_null=True)
    locked = serializers.BooleanField()
    why = serializers.CharField(allow_blank=True)


class PurchaseListSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    number = serializers.IntegerField()
    site = serializers.CharField(source="site.code")
    supplier = serializers.CharField(source="supplier.code")
    state = serializers.ChoiceField(choices=PURCHASE_LIST_STATES)
    created_at = serializers.DateTimeField()
    created_by = serializers.CharField()
    closed_at = serializers.DateTimeField(allow_null=True)
    currency = serializers.CharField(allow_blank=True)
    delivery = serializers.DecimalField(max_digits=12, decimal_places=4)
    expected_at = serializers.DateTimeField(allow_null=True)
    approved_by = serializers.CharField(allow_blank=True)
    sent_at = serializers.DateTimeField(allow_null=True)
    sent_times = serializers.IntegerField()
    reference = serializers.CharField(allow_blank=True)
    lines = PurchaseLineSerializer(many=True, source="lines.all")


class BuyLineSerializer(Body):
    family = Text(most=20)
    thickness = LengthField(plausible=plausible_shim)
    quantity = Whole(least=1, most=MOST_QUANTITY)


class BuySerializer(Body):
    site = Text(most=20, required=False)
    supplier = Text(most=20)
    lines = Several(child=BuyLineSerializer(), most=MOST_LINES)


class ReceivedLineSerializer(Body):
    line = Identity(help_text="Of the list.")
    quantity = Whole(least=0, most=MOST_QUANTITY)
    bin = Text(most=20, required=False, help_text="Left out: where that size belongs.")
    over = Whole(least=0, most=MOST_QUANTITY, required=False, help_text="Beyond the order; to receiving.")
    damaged = Whole(least=0, most=MOST_QUANTITY, required=False, help_text="To inspection, and claimed.")
    wrong = Whole(least=0, most=MOST_QUANTITY, required=False, help_text="Of another size: claimed.")
    wrong_thickness = LengthField(plausible=plausible_shim, required=False)
    short = Whole(
        least=0,
        most=MOST_QUANTITY,
        required=False,
        help_text="On the note, not in the parcel: claimed.",
    )
    measured = Several(
        child=LengthField(plausible=plausible_shim),
        most=MOST_MEASURED,
        required=False,
        help_text="A sample of what came as ordered, at least the root of their number and one more. One "
        "reading beyond the tolerance of its mark rejects the lot (common practice, no standard's plan).",
    )
    price = Ratio(
        max_digits=12, decimal_places=4, min_value=0, required=False, help_text="Of one pack, as really paid."
    )


class ReceiveSerializer(Body):
    document = Text(most=80, required=False, help_text="The supplier's delivery note.")
    confirm = Flag(
        required=False,
        help_text="true: also into bins that are kept for another family, and more damaged and wrong ones "
        "than are outstanding, or more beyond the order than were ordered; both are refused otherwise.",
    )
    lines = Several(child=ReceivedLineSerializer(), most=MOST_LINES)


class PurchaseListView(ApiView):
    answer = PurchaseListSerializer
    one = "purchase-list"

    def rows(self, sites: list[Any]) -> QuerySet[PurchaseList]:
        rows = PurchaseList.objects.filter(site__in=sites)
        return rows.select_related("site", "supplier").prefetch_related("lines__family")

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> PurchaseList:
        return one_of(self.rows(list(actor.roles)), lock=lock, **path)


class PurchaseLists(PurchaseListView):
    @lists(
        Action.READ,
        "list_purchase_lists",
        "Purchase lists, newest first.",
        order=("-created_at", "-id"),
        query=(
            SITE,
            queries.choice("state", "Only in this state.", PURCHASE_LIST_STATES),
            queries.text("supplier", "Only from the supplier of this code.", most=20),
            queries.text("reference", "Only under this reference of the supplier's.", most=60),
            *queries.period("made"),
        ),
        orderings={
            "created_at": ("created_at", "id"),
            "number": ("number", "created_at", "id"),
            "supplier": ("supplier__code", "created_at", "id"),
        },
        wide=PurchaseListSerializer,
    )
    def get(self, call: Call) -> QuerySet[PurchaseList]:
        rows = self.rows(asked_sites(call.actor, call.query))
        return rows.filter(**queries.given(call.query, LIST_FILTERS))

    @creates(
        Action.PURCHASE,
        "mark_bought",
        "Mark sizes as bought from one supplier; the jobs that lack them wait for this list.",
        body=BuySerializer,
        example={
            "site": "north",
            "supplier": "norrbeck",
            "lines": [{"family": "d29", "thickness": {"value": "2.650", "unit": "mm"}, "quantity": 2}],
        },
    )
    def post(self, call: Call) -> PurchaseList:
        body = call.body
        named = [(f"/lines/{index}/family", line["family"]) for index, line in enumerate(body["lines"])]
        families = families_of(named)
        return mark_bought(
            site=site_of(call.actor, body.get("site")),
            actor=call.actor,
            at=call.at,
            supplier=supplier_of(body["supplier"]),
            buys=[
                Buy(
                    family=families[line["family"]],
                    thickness_nm=line["thickness"].nm,
                    quantity=line["quantity"],
                )
                for line in body["lines"]
            ],
        )


class OnePurchaseList(PurchaseListView):
    @shows(Action.READ, "purchase_list", "One purchase list.")
    def get(self, call: Call, **path: Any) -> PurchaseList:
        return self.find(call.actor, **path)


class ReceivePurchase(PurchaseListView):
    @acts(
        Action.RECEIVE,
        "receive_purchase",
        "Take in what came; it is held at once for the jobs that wait for it.",
        body=ReceiveSerializer,
        example={"lines": [{"line": "0190b0a0-0000-7000-8000-000000000000", "quantity": 2}]},
    )
    def post(self, call: Call, bought: PurchaseList) -> PurchaseList:
        lines = call.body["lines"]
        found = found_in(lines)
        named = [(f"/lines/{i}/bin", line["bin"]) for i, line in enumerate(lines) if "bin" in line]
        bins = bins_of(bought.site, named)
        _refuse_two_bins(lines)
        received: dict[uuid.UUID, int] = {}
        fields = {"/received": "/lines"}
        for index, line in enumerate(lines):
            pk = line["line"]
            received[pk] = received.get(pk, 0) + line["quantity"]
            fields |= {
                f"/received/{pk}": f"/lines/{index}/quantity",
                f"/received/{pk}/line": f"/lines/{index}/line",
                f"/bins/{pk}": f"/lines/{index}/bin",
            }
            fields |= {f"/found/{pk}/{of}": f"/lines/{index}/{name}" for name, of in FOUND.items()}
        with as_sent(fields):
            return receive_purchase(
                purchase_list=bought,
                actor=call.actor,
                at=call.at,
                received=received,
                bins={line["line"]: bins[line["bin"]] for line in lines if "bin" in line},
                confirm=call.body.get("confirm", False),
                found=found,
                document=call.body.get("document", ""),
            )


class CancelPurchase(PurchaseListView):
    @acts(
        Action.PURCHASE,
        "cancel_purchase",
        "The list will not come; its needs are to buy again. One of which something came is closed instead: "
        "that stays received, and the rest is called off.",
    )
    def post(self, call: Call, bought: PurchaseList) -> PurchaseList:
        return cancel_purchase(purchase_list=bought, actor=call.actor, at=call.at)


def _refuse_two_bins(lines: list[dict[str, Any]]) -> None:
    """What came of one line of the list goes to one bin; what is named twice is added up."""
    chosen: dict[uuid.UUID, str] = {}
    errors = []
    for index, line in enumerate(lines):
        if "bin" in line and chosen.setdefault(line["line"], line["bin"]) != line["bin"]:
            words = f"the same line goes to {chosen[line['line']]} above; name one bin, and move the rest"
            errors.append(FieldError(f"/lines/{index}/bin", words))
    if errors:
        raise Invalid(f"Nothing was booked: {errors[0].detail}.", errors=errors)


def found_in(lines: list[dict[str, Any]]) -> dict[uuid.UUID, Found]:
    """What the body says was found of each line, which it says once."""
    found: dict[uuid.UUID, Found] = {}
    errors = []
    for index, line in enumerate(lines):
        said = {of: line[name] for name, of in FOUND.items() if name in line}
        if not said:
            continue
        if line["line"] in found:
            errors.append(FieldError(f"/lines/{index}/line", "say what was found of a line once"))
        if "wrong_nm" in said:
            said["wrong_nm"] = said["wrong_nm"].nm
        found[line["line"]] = Found(**said | {"measured": tuple(said.get("measured", ()))})
    if errors:
        raise Invalid(f"Nothing was booked: {errors[0].detail}.", errors=errors)
    return found
