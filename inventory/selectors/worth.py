"""What shims are worth to the shop, in its own currency."""

import uuid
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import Min, Q

from inventory.compute.variance import unit_value
from inventory.models import Condition, ShimFamily
from shop.conf import conf


@dataclass(frozen=True, slots=True, kw_only=True)
class Worth:
    """The prices of some families, read once; see `of`."""

    currency: str
    used_share: Decimal
    offers: Mapping[uuid.UUID, Decimal]
    values: Mapping[uuid.UUID, Decimal]

    def of(self, family_id: uuid.UUID, condition: str) -> Decimal | None:
        """What one shim is worth; None where neither an offer nor the family's own value says it."""
        return unit_value(
            cheapest_offer=self.offers.get(family_id),
            family_value=self.values.get(family_id),
            new=condition == Condition.NEW,
            used_share=self.used_share,
        )


def worth_of(families: Collection[uuid.UUID]) -> Worth:
    """What shims of these families are worth: the cheapest offer in the shop's currency, else the family's
    own value. Offers in other currencies say nothing here: there is no rate to turn them with. One query."""
    currency = conf.currency
    cheapest = Min("offers__price", filter=Q(offers__currency=currency))
    rows = (
        ShimFamily.objects.filter(pk__in=families)
        .order_by()
        .values_list("pk", "value__unit_value", "value__currency")
        .annotate(cheapest=cheapest)
    )
    offers: dict[uuid.UUID, Decimal] = {}
    values: dict[uuid.UUID, Decimal] = {}
    for family, own, own_currency, offered in rows:
        if offered is not None:
            offers[family] = offered
        if own is not None and own_currency == currency:
            values[family] = own
    return Worth(currency=currency, used_share=conf.used_value_share, offers=offers, values=values)
