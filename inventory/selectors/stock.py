"""What is on hand, held and available, by family and thickness."""

import uuid
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime

from django.db.models import F, QuerySet, Sum

from inventory.models import Balance, Condition, Place, PlaceKind, ShimFamily
from inventory.selectors.overdue import overdue_promises, without_overdue
from shop.models import Site

PLANNABLE = (Condition.NEW, Condition.USED)


def stock(
    site: Site,
    *,
    family: ShimFamily | None = None,
    min_nm: int | None = None,
    max_nm: int | None = None,
    condition: str | None = None,
    bin_code: str | None = None,
) -> QuerySet[Balance]:
    """Balances in the site's bins with something on hand: thinnest first, new before used, then by bin."""
    rows = stock_at([site.pk], min_nm=min_nm, max_nm=max_nm, condition=condition, bin_code=bin_code).order_by(
        "family__code", "thickness_nm", "condition", "place__code", "id"
    )
    return rows if family is None else rows.filter(family=family)


def stock_at(
    sites: Iterable[uuid.UUID],
    *,
    family_code: str | None = None,
    min_nm: int | None = None,
    max_nm: int | None = None,
    condition: str | None = None,
    bin_code: str | None = None,
    kind: str = PlaceKind.BIN,
) -> QuerySet[Balance]:
    """Balances with something on hand in the places of that kind of several sites, in no order. bin_code:
    only in the place of that code."""
    # The places' site too: without it PostgreSQL reads the bins of every site beside those of one.
    here = list(sites)
    rows = Balance.objects.filter(site__in=here, place__site__in=here, place__kind=kind, on_hand__gt=0)
    if family_code is not None:
        rows = rows.filter(family__code=family_code)
    if min_nm is not None:
        rows = rows.filter(thickness_nm__gte=min_nm)
    if max_nm is not None:
        rows = rows.filter(thickness_nm__lte=max_nm)
    if condition is not None:
        rows = rows.filter(condition=condition)
    if bin_code is not None:
        rows = rows.filter(place__code=bin_code)
    return rows.select_related("place", "family")


def available_lots(site: Site, family: ShimFamily, *, at: datetime | None = None) -> list[Balance]:
    """The lots that a plan may take: measured, in a bin, not promised; in one fixed order. `at`: without the
    promises that are over by then, swept or not; None: as the books have it."""
    lots = stock(site, family=family).filter(condition__in=PLANNABLE)
    if at is None:
        return list(lots.filter(on_hand__gt=F("held")))
    return [lot for lot in without_overdue(lots, [site.pk], at) if lot.on_hand > lot.held]


def loose_in(tray: Place, family: ShimFamily) -> list[Balance]:
    """The lots in a job's tray that a plan may take: measured, of the family, not promised; in one fixed
    order."""
    rows = Balance.objects.filter(
        place=tray, family=family, condition__in=PLANNABLE, on_hand__gt=F("held")
    ).select_related("place", "family")
    return list(rows.order_by("thickness_nm", "condition", "id"))


def takeable(
    site: Site,
    family: ShimFamily,
    *,
    min_nm: int | None = None,
    max_nm: int | None = None,
    condition: str | None = None,
    kinds: Collection[PlaceKind] = (PlaceKind.BIN, PlaceKind.RECEIVING),
) -> QuerySet[Balance]:
    """Lots in bins and receiving, or places of `kinds`, of which some are not held, thinnest first: what may
    be sent away."""
    rows = Balance.objects.filter(
        site=site,
        family=family,
        place__kind__in=kinds,
        on_hand__gt=F("held"),
    )
    bounds = {"thickness_nm__gte": min_nm, "thickness_nm__lte": max_nm, "condition": condition}
    rows = rows.filter(**{name: value for name, value in bounds.items() if value is not None})
    return rows.select_related("place", "family").order_by("thickness_nm", "condition", "place__code", "id")


def content(site: Site, kind: PlaceKind) -> QuerySet[Balance]:
    """What lies in the site's places of one kind: receiving, inspection, trays."""
    return (
        Balance.objects.filter(site=site, place__kind=kind, on_hand__gt=0)
        .select_related("place", "family")
        .order_by("place__code", "family__code", "thickness_nm", "condition")
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeCount:
    """How many shims of one grade: on hand by condition, and how many of all are held."""

    size_nm: int
    new: int
    used: int
    held: int

    @property
    def on_hand(self) -> int:
        return self.new + self.used

    @property
    def available(self) -> int:
        return self.on_hand - self.held


def count_by_thickness(site: Site, family: ShimFamily, *, at: datetime | None = None) -> list[SizeCount]:
    """Shims in bins by exact thickness, thinnest first; made sizes with none on hand are included. `at` as in
    `available_lots`."""
    counts = {size: {"new": 0, "used": 0, "held": 0} for size in family.sizes_nm()}
    rows = (
        Balance.objects.filter(
            site=site, family=family, place__site=site, place__kind=PlaceKind.BIN, on_hand__gt=0
        )
        .exclude(condition=Condition.UNMEASURED)
        .values("thickness_nm", "condition")
        .annotate(count=Sum("on_hand"), promised=Sum("held"))
    )
    for row in rows:
        entry = counts.setdefault(row["thickness_nm"], {"new": 0, "used": 0, "held": 0})
        entry[row["condition"]] += row["count"]
        entry["held"] += row["promised"]
    for key, quantity in (overdue_promises([site.pk], at) if at is not None else {}).items():
        if key.family_id == family.pk and key.thickness_nm in counts:
            counts[key.thickness_nm]["held"] -= quantity
    return [SizeCount(size_nm=size, **entry) for size, entry in sorted(counts.items())]
