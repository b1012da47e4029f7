"""What plans cost the shop, by its settings and prices."""

from collections.abc import Iterable, Mapping
from datetime import datetime
from math import ceil
from typing import Any, NamedTuple

from django.db.models import Min

from inventory.models import Offer, ShimFamily
from inventory.selectors.worth import Worth, worth_of
from jobs.compute.cost import Chosen, Cost, Rates, plan_cost, together
from jobs.models import ShopPlan
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


class _Kept(NamedTuple):
    """A choice as a shop plan keeps it."""

    action: str
    condition: str | None


def shop_plan_cost(plan: ShopPlan) -> Cost:
    """What a made plan costs, all its engines together, at today's prices; a bay waits where the engine was
    in one when the plan was made. Four queries, whatever the number of engines.
    """
    engines = (plan.result or {"jobs": []})["jobs"]
    families = dict(
        ShimFamily.objects.filter(code__in={made["family"] for made in engines}).values_list("code", "pk")
    )
    worth = worth_of(list(families.values()))
    quickest = dict(
        Offer.objects.filter(family__in=list(families.values()))
        .values_list("family_id")
        .annotate(days=Min("supplier__lead_days"))
    )
    in_bay = {job["key"] for job in (plan.problem or {"jobs": []})["jobs"] if job["on_bench"]}
    at, costs = rates(), []
    for made in engines:
        family = families[made["family"]]
        waits = made["job"] in in_bay
        costs.append(
            plan_cost(
                [_Kept(choice["action"], choice["condition"]) for choice in made["choices"]],
                at,
                lambda condition, family=family: worth.of(family, condition),
                lead_days=quickest.get(family) if waits else 0,
                due_days=_days_until(made, plan.created_at) if waits else 0,
            )
        )
    return together(costs, at.currency)


def _days_until(made: Mapping[str, Any], at: datetime) -> int:
    """Whole days until the last shim on order that the engine takes is due; 0 where that is not known."""
    if made["ready"] is None:
        return 0
    return max(0, ceil((datetime.fromisoformat(made["ready"]) - at).total_seconds() / 86_400))
