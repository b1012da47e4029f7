"""What swaps and used shims saved a site: every fit of a year, at what a new shim costs today."""

import uuid
from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from fractions import Fraction

from django.db.models import Case, CharField, Count, F, Q, Value, When
from django.db.models.functions import Concat, ExtractMonth

from inventory.models import Condition
from inventory.selectors.worth import Worth, worth_of
from jobs.compute.cost import major, to_minor
from jobs.models import Fit
from shop.models import Site


@dataclass(frozen=True, slots=True, kw_only=True)
class Month:
    """One month. swaps: valves that got the shim of another valve; used: those that got a used one from a
    bin. swaps_saved, used_saved: minor units of the currency."""

    number: int
    swaps: int
    swaps_saved: int
    used: int
    used_saved: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Savings:
    """A year. `unpriced`: how many of these shims have no price and count nothing."""

    year: int
    currency: str
    months: tuple[Month, ...]
    unpriced: int

    @property
    def total(self) -> int:
        return sum(month.swaps_saved + month.used_saved for month in self.months)

    @property
    def swaps_saved(self) -> int:
        return sum(month.swaps_saved for month in self.months)

    @property
    def swaps(self) -> int:
        return sum(month.swaps for month in self.months)

    def amount(self, minor: int) -> str:
        return major(minor, self.currency)

    def shown(self, minor: int) -> str:
        return f"{self.amount(minor)} {self.currency}"


def savings_of(site: Site, year: int, begin: datetime, end: datetime) -> Savings:
    """What was saved in the year from `begin` up to `end`. Every shim that moved instead of being bought
    counts what a new one of its family costs; a used one from a bin that less its own worth. Each month's
    amounts are rounded once. Months without a fit are among them. Three queries.
    """
    counts = _counts(site, begin, end)
    worth = worth_of({family for family, _, _ in counts})
    saved: dict[tuple[int, str], Fraction] = defaultdict(Fraction)
    moved: dict[tuple[int, str], int] = defaultdict(int)
    unpriced = 0
    for (family, month, kind), count in counts.items():
        moved[month, kind] += count
        each = _saved(worth, family, kind)
        if each is None:
            unpriced += count
        else:
            saved[month, kind] += count * Fraction(each)
    return Savings(
        year=year,
        currency=worth.currency,
        months=tuple(
            Month(
                number=month,
                swaps=moved[month, "swap"],
                swaps_saved=to_minor(saved[month, "swap"], worth.currency),
                used=moved[month, "used"],
                used_saved=to_minor(saved[month, "used"], worth.currency),
            )
            for month in range(1, 13)
        ),
        unpriced=unpriced,
    )


def _counts(site: Site, begin: datetime, end: datetime) -> dict[tuple[uuid.UUID, int, str], int]:
    own = Concat(Value("valve:"), F("valve__label"), output_field=CharField())
    rows = (
        Fit.objects.filter(valve__job__site=site, at__gte=begin, at__lt=end)
        .annotate(
            kind=Case(
                # Its own shim that went back in saved nothing.
                When(fitted_from=own, then=Value("")),
                When(fitted_from__startswith="valve:", then=Value("swap")),
                When(Q(fitted_from__startswith="bin:", fitted_condition=Condition.USED), then=Value("used")),
                default=Value(""),
                output_field=CharField(),
            ),
            month=ExtractMonth("at"),
        )
        .exclude(kind="")
        .order_by()
        .values_list("valve__job__family_id", "month", "kind")
        .annotate(count=Count("id"))
    )
    return {(family, month, kind): count for family, month, kind, count in rows}


def _saved(worth: Worth, family: uuid.UUID, kind: str) -> Decimal | None:
    new = worth.of(family, Condition.NEW)
    if new is None or kind == "swap":
        return new
    return new - (worth.of(family, Condition.USED) or Decimal(0))
