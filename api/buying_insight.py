"""GET /buying-insight: what buying costs a site in a year, what it saves, how suppliers kept their word."""

from collections.abc import Mapping
from datetime import datetime
from decimal import Decimal
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from django.utils import timezone
from rest_framework import serializers

from api import queries
from api.fields import LengthField
from api.kinds import shows
from api.lookups import family_of, site_of
from api.views import ApiView, Call
from inventory.compute.lengths import from_nm, plausible_shim
from inventory.compute.price_chart import Price
from inventory.models import ShimFamily
from inventory.selectors.buying import (
    Met,
    Punctual,
    Spent,
    bought_sizes,
    in_minor_units,
    met,
    prices_of,
    punctuality,
    saved_by_gathering,
    spent,
)
from jobs.selectors.savings import Month, Savings, savings_of
from shop.conf import conf
from shop.errors import FieldError, Invalid
from shop.models import Site
from shop.roles import Action

FIRST_YEAR, LAST_YEAR = 2000, 2200


class AmountSerializer(serializers.Serializer):
    """amount: a decimal text with the decimals of its currency."""

    amount = serializers.CharField()
    currency = serializers.CharField()


class SpentSerializer(AmountSerializer):
    """Goods and delivery of what was ordered."""

    month = serializers.IntegerField()
    supplier = serializers.CharField(help_text="Its name.")
    orders = serializers.IntegerField()
    unpriced = serializers.IntegerField(help_text="Lines without a price; they are in no amount.")


class SavedMonthSerializer(serializers.Serializer):
    """swaps: valves that got the shim of another valve; used_shims: those that got a used one from a bin.
    The amounts are decimal texts in the currency of `saved`."""

    month = serializers.IntegerField()
    swaps = serializers.IntegerField()
    swaps_saved = serializers.CharField()
    used_shims = serializers.IntegerField()
    used_shims_saved = serializers.CharField()


class SavedSerializer(serializers.Serializer):
    """Decimal texts in `currency`. gathering: against an order for each need, as each choice reckoned it."""

    currency = serializers.CharField()
    gathering = serializers.CharField()
    swaps = serializers.CharField(help_text="Shims that went from valve to valve, at a new one's price.")
    used_shims = serializers.CharField(
        help_text="Used shims from bins, at a new one's price less their worth."
    )
    unpriced = serializers.IntegerField(help_text="Such shims without a price; they count nothing.")
    by_month = SavedMonthSerializer(many=True, help_text="Swaps and used shims; months without are left out.")


class KeptWordSerializer(serializers.Serializer):
    """Days are working days of the supplier, in all deliveries together."""

    supplier = serializers.CharField(help_text="Its name.")
    deliveries = serializers.IntegerField()
    in_time = serializers.IntegerField()
    days_late = serializers.IntegerField()
    days_promised = serializers.IntegerField(help_text="From the order on, of all deliveries.")
    days_taken = serializers.IntegerField(help_text="What they really took.")
    claims = serializers.IntegerField()
    credited = AmountSerializer(many=True)


class PaidSerializer(serializers.Serializer):
    """What came at a price that somebody keyed in at the receipt, by its order and as it was paid."""

    supplier = serializers.CharField(help_text="Its name.")
    currency = serializers.CharField()
    shims = serializers.IntegerField()
    ordered_at = serializers.CharField(
        help_text="A decimal text; lines ordered without a price are left out."
    )
    paid = serializers.CharField()


class BoughtSizeSerializer(serializers.Serializer):
    family = serializers.CharField()
    thickness = LengthField()
    times = serializers.IntegerField(help_text="In so many lines of orders, of any year.")


class PriceSerializer(serializers.Serializer):
    on = serializers.DateField()
    supplier = serializers.CharField(help_text="Its name.")
    each = serializers.CharField(help_text="Of one shim: a decimal text of four decimals.")
    paid = serializers.BooleanField(help_text="true: really paid; false: by the order.")


class PriceHistorySerializer(serializers.Serializer):
    family = serializers.CharField()
    thickness = LengthField()
    currency = serializers.CharField(help_text="That of most prices; those in others are left out.")
    prices = PriceSerializer(many=True, help_text="The oldest first, of every year.")


class BuyingInsightSerializer(serializers.Serializer):
    site = serializers.CharField()
    year = serializers.IntegerField()
    spent = SpentSerializer(many=True, help_text="By month and supplier.")
    saved = SavedSerializer()
    suppliers = KeptWordSerializer(many=True)
    paid = PaidSerializer(many=True)
    sizes = BoughtSizeSerializer(many=True, help_text="What was ever ordered.")
    price_history = PriceHistorySerializer(allow_null=True, help_text="null before the first order.")


class Insight(NamedTuple):
    site: Site
    year: int
    spent: list[Spent]
    gathered: Decimal
    savings: Savings
    suppliers: list[Punctual]
    paid: list[Met]
    sizes: list[tuple[ShimFamily, int, int]]
    history: tuple[ShimFamily, int, list[Price], str] | None


class BuyingInsight(ApiView):
    answer = BuyingInsightSerializer

    @shows(
        Action.SEE_SAVINGS,
        "buying_insight",
        "What buying costs and saves in a year, how suppliers kept their word, and what a size cost.",
        query=(
            queries.text("site", "Code of a site; it may be left out where there is one.", most=20),
            queries.whole("year", "Left out: this one.", least=FIRST_YEAR, most=LAST_YEAR),
            queries.text(
                "family", "With thickness: whose price history. Left out: the most bought.", most=20
            ),
            queries.length("thickness", "With family.", plausible=plausible_shim),
        ),
    )
    def get(self, call: Call) -> Insight:
        site = site_of(call.actor, call.query.get("site"), "?site")
        call.actor.must(Action.SEE_SAVINGS, site)
        asked = _size(call.query)
        zone = ZoneInfo(site.time_zone)
        year: int = call.query.get("year", call.at.astimezone(zone).year)
        between = datetime(year, 1, 1, tzinfo=zone), datetime(year + 1, 1, 1, tzinfo=zone)
        sizes = bought_sizes(site)
        if asked is None and sizes:
            asked = max(sizes, key=lambda size: size[2])[:2]
        # Months are those of the site's clock, as on its pages.
        with timezone.override(zone):
            savings = savings_of(site, year, *between)
        return Insight(
            site=site,
            year=year,
            spent=spent(site, *between),
            gathered=saved_by_gathering(site, *between),
            savings=savings,
            suppliers=punctuality(site, *between),
            paid=met(site, *between),
            sizes=sizes,
            history=None if asked is None else (*asked, *prices_of(site, *asked)),
        )

    def represent(self, thing: Insight) -> dict[str, Any]:
        return {
            "site": thing.site.code,
            "year": thing.year,
            "spent": [
                {
                    "amount": in_minor_units(row.amount, row.currency),
                    "currency": row.currency,
                    "month": row.month,
                    "supplier": row.supplier,
                    "orders": row.orders,
                    "unpriced": row.unpriced,
                }
                for row in thing.spent
            ],
            "saved": {
                "currency": conf.currency,
                "gathering": in_minor_units(thing.gathered, conf.currency),
                "swaps": thing.savings.amount(thing.savings.swaps_saved),
                "used_shims": thing.savings.amount(thing.savings.total - thing.savings.swaps_saved),
                "unpriced": thing.savings.unpriced,
                "by_month": [
                    _month(thing.savings, month)
                    for month in thing.savings.months
                    if month.swaps or month.used
                ],
            },
            "suppliers": [_kept(row) for row in thing.suppliers],
            "paid": [
                {
                    "supplier": row.supplier,
                    "currency": row.currency,
                    "shims": row.shims,
                    "ordered_at": in_minor_units(row.ordered_at, row.currency),
                    "paid": in_minor_units(row.paid, row.currency),
                }
                for row in thing.paid
            ],
            "sizes": [
                {"family": family.code, "thickness": from_nm(nm).as_json(), "times": times}
                for family, nm, times in thing.sizes
            ],
            "price_history": None if thing.history is None else _history(*thing.history),
        }


def _size(query: Mapping[str, Any]) -> tuple[ShimFamily, int] | None:
    named = [name for name in ("family", "thickness") if name in query]
    if len(named) == 1:
        missing = "thickness" if named == ["family"] else "family"
        errors = [FieldError(f"?{missing}", f"is needed with {named[0]}")]
        raise Invalid("Name a size by its family and its thickness.", errors=errors)
    return (family_of(query["family"], "?family"), query["thickness"]) if named else None


def _month(savings: Savings, month: Month) -> dict[str, Any]:
    return {
        "month": month.number,
        "swaps": month.swaps,
        "swaps_saved": savings.amount(month.swaps_saved),
        "used_shims": month.used,
        "used_shims_saved": savings.amount(month.used_saved),
    }


def _kept(row: Punctual) -> dict[str, Any]:
    return {
        "supplier": row.supplier,
        "deliveries": row.deliveries,
        "in_time": row.in_time,
        "days_late": row.days_late,
        "days_promised": row.days_promised,
        "days_taken": row.days_taken,
        "claims": row.claims,
        "credited": [
            {"amount": in_minor_units(amount, currency), "currency": currency}
            for currency, amount in sorted(row.credited.items())
        ],
    }


def _history(family: ShimFamily, nm: int, prices: list[Price], currency: str) -> dict[str, Any]:
    return {
        "family": family.code,
        "thickness": from_nm(nm).as_json(),
        "currency": currency,
        "prices": [
            {
                "on": price.on.isoformat(),
                "supplier": price.seller,
                "each": f"{price.each:.4f}",
                "paid": price.paid,
            }
            for price in prices
        ],
    }
