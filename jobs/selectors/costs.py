"""What plans cost the shop, by its settings and prices."""

from collections.abc import Iterable

from django.db.models import Min

from inventory.models import Offer, ShimFamily
from inventory.selectors.worth import Worth, worth_of
from jobs.compute.cost import Chosen, Cost, Rates, plan_cost
from shop.conf import conf


def rates() -> Rates:
    """What time costs the shop."""
    return Rates(
        currency=conf.currency,
        minutes_per_opening=conf.minutes_per_opening,
        labour_per_hour=conf.labour_per_hour,
        bay_per_hour=conf.bay_per_hour,
        bay_hours_per_day=conf.bay_hours_per_day,
    )


class Prices:
    """What shims of one family cost and how long bought ones take to come; read once, for several plans."""

    def __init__(self, family: ShimFamily) -> None:
        self._family = family
        self._worth: Worth = worth_of([family.pk])
        self._rates = rates()
        self.lead_days: int | None = Offer.objects.filter(family=family).aggregate(
            days=Min("supplier__lead_days")
        )["days"]
        """Of the quickest supplier; None where nobody offers them."""

    def cost(self, choices: Iterable[Chosen]) -> Cost:
        """What a plan with these choices costs."""
        return plan_cost(
            choices,
            self._rates,
            lambda condition: self._worth.of(self._family.pk, condition),
            lead_days=self.lead_days,
        )
