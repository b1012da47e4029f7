"""On what terms suppliers sell, their price lists, and exchange rates."""

from datetime import date
from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from api import queries
from api.fields import Body, Day, Flag, HourOfDay, LengthField, Ratio, Several, Text, Whole
from api.kinds import acts, creates, lists, shows
from api.lookups import families_of, one_of
from api.suppliers import MOST_LEAD_DAYS, SupplierView
from api.views import ApiView, Call
from inventory.compute.lengths import plausible_shim
from inventory.models import ExchangeRate, PartPrice, Supplier
from inventory.services.terms import (
    MOST_HOLIDAYS,
    MOST_PACK,
    PartRow,
    Terms,
    set_part_prices,
    set_rate,
    set_terms,
)
from shop.actor import Actor
from shop.roles import Action

MOST_ROWS = 500
_MONEY: dict[str, Any] = {"max_digits": 12, "decimal_places": 4, "min_value": 0}


class SetTermsSerializer(Body):
    """Terms as a whole: what is left out is none; only the time to deliver then stays as it is."""

    currency = Text(most=3, help_text="Three letters (ISO 4217); the amounts are in it.")
    minimum_value = Ratio(required=False, **_MONEY)
    minimum_pieces = Whole(least=0, most=1_000_000, required=False)
    delivery_fee = Ratio(required=False, **_MONEY)
    free_from = Ratio(required=False, help_text="Goods from this value on come free.", **_MONEY)
    cut_off = HourOfDay(required=False, help_text="Orders from this hour on count from the next working day.")
    holidays = Several(child=Day(), least=0, most=MOST_HOLIDAYS, required=False)
    lead_days = Whole(
        least=0, most=MOST_LEAD_DAYS, required=False, help_text="Working days; left out, as before."
    )
    email = Text(most=254, required=False)
    our_number = Text(most=40, required=False, help_text="What the supplier calls this shop.")


class PartRowSerializer(Body):
    part_number = Text(most=40)
    family = Text(most=20)
    thickness = LengthField(plausible=plausible_shim)
    price = Ratio(max_digits=12, decimal_places=4, min_value=0, help_text="Of one pack.")
    valid_from = Day()
    valid_to = Day(required=False, help_text="The last day included.")
    pack = Whole(least=1, most=MOST_PACK, required=False)
    from_packs = Whole(least=1, most=MOST_PACK, required=False, help_text="The break from which it holds.")
    incremental = Flag(required=False, help_text="true: for the packs from the break on only.")
    lead_days = Whole(least=0, most=MOST_LEAD_DAYS, required=False)


class SetPartPricesSerializer(Body):
    rows = Several(child=PartRowSerializer(), most=MOST_ROWS)


class SetTerms(SupplierView):
    @acts(
        Action.EDIT_CATALOGUE,
        "set_terms",
        "Other terms for what is ordered from now on: minimum order, delivery, time to deliver, holidays.",
        body=SetTermsSerializer,
        example={
            "currency": "EUR",
            "minimum_value": "25.00",
            "delivery_fee": "6.00",
            "lead_days": 2,
            "holidays": ["2026-12-25"],
        },
    )
    def post(self, call: Call, supplier: Supplier) -> Supplier:
        body = dict(call.body)
        holidays: list[date] = body.pop("holidays", [])
        return set_terms(actor=call.actor, supplier=supplier, terms=Terms(**body, holidays=tuple(holidays)))


class SetPartPrices(SupplierView):
    @acts(
        Action.EDIT_CATALOGUE,
        "set_part_prices",
        "Rows of a price list; each takes the place of what stands for its part, day and break.",
        body=SetPartPricesSerializer,
        example={
            "rows": [
                {
                    "part_number": "S-2650",
                    "family": "d29",
                    "thickness": {"value": "2.650", "unit": "mm"},
                    "price": "3.40",
                    "valid_from": "2026-01-01",
                }
            ]
        },
    )
    def post(self, call: Call, supplier: Supplier) -> Supplier:
        rows = call.body["rows"]
        families = families_of((f"/rows/{i}/family", row["family"]) for i, row in enumerate(rows))
        set_part_prices(
            actor=call.actor,
            supplier=supplier,
            rows=[
                PartRow(
                    **{name: value for name, value in row.items() if name not in ("family", "thickness")},
                    family=families[row["family"]],
                    thickness_nm=row["thickness"].nm,
                )
                for row in rows
            ],
        )
        return supplier


class PartPriceSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    supplier = serializers.CharField(source="supplier.code")
    part_number = serializers.CharField()
    family = serializers.CharField(source="family.code")
    thickness = LengthField(source="thickness_nm")
    pack = serializers.IntegerField()
    from_packs = serializers.IntegerField()
    price = serializers.DecimalField(max_digits=12, decimal_places=4)
    incremental = serializers.BooleanField()
    valid_from = serializers.DateField()
    valid_to = serializers.DateField(allow_null=True)
    lead_days = serializers.IntegerField(allow_null=True)


class PartPrices(ApiView):
    answer = PartPriceSerializer

    @lists(
        Action.READ,
        "list_part_prices",
        "Suppliers' price lists, by part.",
        order=("supplier__code", "part_number", "valid_from", "from_packs", "id"),
        query=(
            queries.text("supplier", "Only of this supplier.", most=20),
            queries.text("family", "Only of the family of this code.", most=20),
            queries.text("part_number", "Only of this part number.", most=40),
        ),
        orderings={
            "part_number": ("part_number", "supplier__code", "valid_from", "from_packs", "id"),
            "thickness": ("thickness_nm", "family__code", "supplier__code", "id"),
        },
        wide=PartPriceSerializer,
    )
    def get(self, call: Call) -> QuerySet[PartPrice]:
        rows = PartPrice.objects.select_related("supplier", "family")
        wanted = {"supplier": "supplier__code", "family": "family__code", "part_number": "part_number"}
        return rows.filter(**queries.given(call.query, wanted))


class ExchangeRateSerializer(serializers.Serializer):
    """rate: what one unit of the currency is in the shop's."""

    currency = serializers.CharField()
    rate = serializers.DecimalField(max_digits=16, decimal_places=8)
    keyed_at = serializers.DateTimeField()
    keyed_by = serializers.CharField()


class SetRateSerializer(Body):
    currency = Text(most=3)
    rate = Ratio(max_digits=16, decimal_places=8, min_value=0)


class ExchangeRateView(ApiView):
    answer = ExchangeRateSerializer
    one = "exchange-rate"

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> ExchangeRate:
        return one_of(ExchangeRate.objects.all(), lock=lock, **path)

    def path_of(self, thing: ExchangeRate) -> dict[str, Any]:
        return {"currency": thing.currency}


class ExchangeRates(ExchangeRateView):
    @lists(
        Action.READ,
        "list_exchange_rates",
        "The rates as they were keyed in.",
        order=("currency",),
        orderings={"currency": ("currency",)},
    )
    def get(self, call: Call) -> QuerySet[ExchangeRate]:
        return ExchangeRate.objects.all()

    @creates(
        Action.EDIT_CATALOGUE,
        "set_rate",
        "Key in what one unit of another currency is in the shop's; it takes the place of the one before.",
        body=SetRateSerializer,
        example={"currency": "SEK", "rate": "0.0882"},
    )
    def post(self, call: Call) -> ExchangeRate:
        return set_rate(actor=call.actor, at=call.at, currency=call.body["currency"], rate=call.body["rate"])


class OneExchangeRate(ExchangeRateView):
    @shows(Action.READ, "exchange_rate", "One rate.")
    def get(self, call: Call, **path: Any) -> ExchangeRate:
        return self.find(call.actor, **path)
