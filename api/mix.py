"""The mix: how many of each size the drawers of a site should hold, and of which there are far too many."""

from typing import Any

from rest_framework import serializers

from api import queries
from api.fields import LengthField
from api.insight_shapes import decimal_text
from api.kinds import lists
from api.lookups import asked_sites
from api.stock import SITE
from api.views import ApiView, Call
from inventory.compute.lengths import from_nm
from inventory.selectors.mix import MOST_MONTHS, MixRow, stock_mix
from shop.roles import Action


class MixSerializer(serializers.Serializer):
    """One made size. To keep as many as are proposed, send it to POST /stock-minimums/bulk."""

    site = serializers.CharField()
    family = serializers.CharField()
    thickness = LengthField()
    taken = serializers.IntegerField(
        help_text="Shims that engines took of it from drawers, or that were bought for them, in the months "
        "looked back over; used ones count at the nearest made size."
    )
    expected = serializers.CharField(help_text="The same with its neighbours' share: a decimal text.")
    on_hand = serializers.IntegerField(help_text="New and used, in bins.")
    available = serializers.IntegerField()
    minimum = serializers.IntegerField(allow_null=True, help_text="What is kept today; null: nobody said.")
    proposed = serializers.IntegerField(help_text="How many to keep.")
    service_level = serializers.CharField(help_text="The share of requests that is to be met.")
    chance = serializers.CharField(
        allow_null=True,
        help_text="The share that the proposed number meets, rounded down; null where none is kept.",
    )
    protection_days = serializers.IntegerField(
        help_text="Working days that it has to last: from one look at what is low to the next, and the "
        "supplier's."
    )
    why = serializers.CharField()
    too_many = serializers.IntegerField(help_text="More than will be asked for in as many months again.")
    too_many_worth = serializers.CharField(allow_null=True, help_text="null where no price is known.")
    currency = serializers.CharField()
    why_too_many = serializers.CharField(allow_blank=True)


def render(row: MixRow) -> dict[str, Any]:
    said = row.proposal
    return {
        "site": row.site.code,
        "family": row.family.code,
        "thickness": from_nm(row.thickness_nm).as_json(),
        "taken": row.taken,
        "expected": decimal_text(said.expected),
        "on_hand": row.on_hand,
        "available": row.available,
        "minimum": row.minimum,
        "proposed": said.proposed,
        "service_level": f"{row.service:f}",
        "chance": None if said.chance is None else f"{said.chance // 100}.{said.chance % 100:02}",
        "protection_days": said.protection_days,
        "why": said.why,
        "too_many": said.beyond,
        "too_many_worth": None if row.beyond_worth is None else f"{row.beyond_worth:f}",
        "currency": row.currency,
        "why_too_many": said.why_beyond,
    }


class StockMix(ApiView):
    answer = MixSerializer

    @lists(
        Action.READ,
        "list_stock_mix",
        "What the drawers should hold, by site, family and thickness, beside what they hold today.",
        order=("site__code", "family__code", "thickness_nm"),
        query=(
            SITE,
            queries.text("family", "Only of this family.", most=20),
            queries.share(
                "service_level",
                "The share of requests that is to be met from the drawer; left out, the shop's setting.",
                least="0.5",
                most="0.999",
            ),
            queries.whole(
                "months",
                "How far to look back; left out, the shop's setting.",
                least=1,
                most=MOST_MONTHS,
            ),
        ),
        orderings={
            "family": ("family__code", "thickness_nm", "site__code"),
            "thickness": ("thickness_nm", "family__code", "site__code"),
        },
        wide=MixSerializer,
        render=render,
    )
    def get(self, call: Call) -> list[MixRow]:
        return stock_mix(
            asked_sites(call.actor, call.query),
            at=call.at,
            family_code=call.query.get("family"),
            service=call.query.get("service_level"),
            months=call.query.get("months"),
        )
