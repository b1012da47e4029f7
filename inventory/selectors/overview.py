"""What the stock pages show at a glance: families, what waits at the counter, bins and what they hold."""

import uuid
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime

from django.db.models import QuerySet, Sum

from inventory.compute.sizes import grade_of, nearest_size
from inventory.models import (
    Balance,
    BinCount,
    Condition,
    Hold,
    HoldLine,
    Place,
    PlaceKind,
    PurchaseList,
    ShimFamily,
)
from inventory.selectors.overdue import in_state, overdue_promises
from inventory.selectors.places import bins
from inventory.selectors.stock import SizeCount
from shop.models import Site


@dataclass(slots=True, kw_only=True)
class FamilyOnHand:
    """One family at one site: shims in bins by condition, how many are held, which made sizes are there."""

    family: ShimFamily
    new: int = 0
    used: int = 0
    held: int = 0
    sizes_here: set[int] = field(default_factory=set)

    @property
    def on_hand(self) -> int:
        return self.new + self.used

    @property
    def available(self) -> int:
        return self.on_hand - self.held

    @property
    def sizes_made(self) -> int:
        return len(self.family.sizes_nm())

    @property
    def sizes_missing(self) -> int:
        return self.sizes_made - len(self.sizes_here & set(self.family.sizes_nm()))


def families_on_hand(site: Site, *, at: datetime) -> list[FamilyOnHand]:
    """Every family by code, also those of which the site has nothing."""
    found = {family.pk: FamilyOnHand(family=family) for family in ShimFamily.objects.all()}
    rows = (
        # The places' site too: without it PostgreSQL reads the bins of every site beside those of one.
        Balance.objects.filter(site=site, place__site=site, place__kind=PlaceKind.BIN, on_hand__gt=0)
        .exclude(condition=Condition.UNMEASURED)
        .values("family_id", "thickness_nm", "condition")
        .annotate(count=Sum("on_hand"), promised=Sum("held"))
    )
    for row in rows:
        entry = found[row["family_id"]]
        if row["condition"] == Condition.NEW:
            entry.new += row["count"]
        else:
            entry.used += row["count"]
        entry.held += row["promised"]
        entry.sizes_here.add(row["thickness_nm"])
    for key, quantity in overdue_promises([site.pk], at).items():
        if key.family_id in found:
            found[key.family_id].held -= quantity
    return list(found.values())


def by_made_size(counts: Iterable[SizeCount], family: ShimFamily) -> list[SizeCount]:
    """The counts gathered per made size, thinnest first: a used shim counts with the nearest one."""
    gathered = {size: [0, 0, 0] for size in family.sizes_nm()}
    for count in counts:
        entry = gathered[nearest_size(family.range, count.size_nm)]
        for index, number in enumerate((count.new, count.used, count.held)):
            entry[index] += number
    return [
        SizeCount(size_nm=size, new=new, used=used, held=held) for size, (new, used, held) in gathered.items()
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class AtTheCounter:
    """How many shims wait to be put away and to be inspected, how many lists are on their way, how many bins
    wait to be counted."""

    to_put_away: int
    to_inspect: int
    on_the_way: int
    to_count: int


def at_the_counter(site: Site) -> AtTheCounter:
    waiting = dict(
        Balance.objects.filter(site=site, place__kind__in=[PlaceKind.RECEIVING, PlaceKind.INSPECTION])
        .values_list("place__kind")
        .annotate(Sum("on_hand"))
    )
    return AtTheCounter(
        to_put_away=waiting.get(PlaceKind.RECEIVING) or 0,
        to_inspect=waiting.get(PlaceKind.INSPECTION) or 0,
        on_the_way=PurchaseList.objects.filter(site=site, state__in=PurchaseList.ON_THE_WAY).count(),
        to_count=BinCount.objects.filter(site=site, state__in=BinCount.TO_COUNT).count(),
    )


def proposed_bins(site: Site, shims: Iterable[tuple[uuid.UUID, int]]) -> dict[tuple[uuid.UUID, int], Place]:
    """The bin where each (family, thickness) belongs, as `places.bin_for` says it, for many at one query.

    What has no bin of its family here is left out.
    """
    by_family: dict[uuid.UUID, list[Place]] = {}
    for place in bins(site).filter(family__isnull=False):
        by_family.setdefault(place.family_id, []).append(place)
    return {
        (family, thickness): _nearest(by_family[family], thickness)
        for family, thickness in set(shims)
        if family in by_family
    }


def _nearest(places: list[Place], thickness_nm: int) -> Place:
    """As bin_for orders them: by distance from the grade, those kept for no size last, thinner first."""
    grade = grade_of(places[0].family.range, thickness_nm)
    return min(
        places,
        key=lambda place: (
            place.size_nm is None,
            abs((place.size_nm or 0) - grade),
            place.size_nm or 0,
            place.code,
        ),
    )


def holds_in(place: Place, *, at: datetime) -> QuerySet[HoldLine]:
    """What lies in this place and is promised, with the hold that promises it."""
    return (
        HoldLine.objects.filter(place=place, hold__in=Hold.objects.filter(in_state(Hold.State.HELD, at)))
        .select_related("hold", "family")
        .order_by("thickness_nm", "hold__created_at", "id")
    )
