"""What shims are worth to the shop, in its own currency."""

import uuid
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import Min

from inventory.compute.variance import unit_value
from inventory.models import Condition, FamilyValue, Offer
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
    own value. Offers in other currencies say nothing here: there is no rate to turn them with."""
    currency = conf.currency
    cheapest = (
        Offer.objects.filter(family__in=families, currency=currency)
        .values_list("family_id")
        .annotate(price=Min("price"))
    )
    own = FamilyValue.objects.filter(family__in=families, currency=currency)
    return Worth(
        currency=currency,
        used_share=conf.used_value_share,
        offers=dict(cheapest),
        values=dict(own.values_list("family_id", "unit_value")),
    )
