"""What of a family comes to a site: bought and on its way, or on the list of what is to buy."""

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from uuid import UUID

from django.db.models import Case, Count, F, Q, Sum, When

from inventory.models import (
    Balance,
    Need,
    PlaceKind,
    PurchaseLine,
    PurchaseList,
    ShimFamily,
    Transfer,
    TransferLine,
)
from inventory.selectors.stock import PLANNABLE
from shop.models import Site


@dataclass(slots=True, kw_only=True)
class Coming:
    """One size. on_order: bought and not yet here. for_jobs: so many of these are for jobs that wait. to_buy:
    wanted in stock and not yet bought."""

    on_order: int = 0
    for_jobs: int = 0
    to_buy: int = 0

    @property
    def free(self) -> int:
        """How many will be for whoever comes first."""
        return max(self.on_order - self.for_jobs, 0) + self.to_buy


def coming(site: Site, family: ShimFamily) -> dict[int, Coming]:
    """By size of one family; {} when nothing comes."""
    return {nm: comes for (_, nm), comes in coming_of(site, {family.pk}).items()}


def coming_of(site: Site, families: Collection[UUID]) -> dict[tuple[UUID, int], Coming]:
    """By family and size. Two queries."""
    found: dict[tuple[UUID, int], Coming] = defaultdict(Coming)
    lines = (
        PurchaseLine.objects.filter(
            purchase_list__site=site,
            purchase_list__state__in=PurchaseList.ON_THE_WAY,
            family__in=families,
        )
        .values_list("family", "thickness_nm")
        .annotate(to_come=Sum(F("quantity") - F("received")))
        .order_by("family", "thickness_nm")
    )
    for family, size, count in lines:
        found[family, size].on_order += count
    bought = Q(state=Need.State.BOUGHT, line__isnull=False)
    needs = (
        Need.objects.filter(site=site, family__in=families, state__in=[Need.State.OPEN, Need.State.BOUGHT])
        # What is bought for a need may be a neighbour of the size that it names.
        .annotate(size=Case(When(bought, then="line__thickness_nm"), default="thickness_nm"))
        .values_list("family", "size")
        .annotate(
            for_jobs=Count("pk", filter=Q(state=Need.State.BOUGHT, job_id__isnull=False)),
            to_buy=Count("pk", filter=Q(state=Need.State.OPEN, job_id__isnull=True)),
        )
        .order_by("family", "size")
    )
    for family, size, for_jobs, to_buy in needs:
        found[family, size].for_jobs += for_jobs
        found[family, size].to_buy += to_buy
    return dict(found)


def on_the_threshold(site: Site, families: Collection[UUID]) -> dict[tuple[UUID, int], int]:
    """By family and size the shims that are bound for the site's bins and in none yet: sent from another
    site, or in receiving and promised to nobody. Two queries."""
    sent = TransferLine.objects.filter(
        transfer__target=site,
        transfer__state=Transfer.State.IN_TRANSIT,
        family__in=families,
        condition__in=PLANNABLE,
    ).values_list("family", "thickness_nm", F("quantity") - F("arrived") - F("came_back") - F("written_off"))
    here = Balance.objects.filter(
        site=site, place__kind=PlaceKind.RECEIVING, family__in=families, condition__in=PLANNABLE
    ).values_list("family", "thickness_nm", F("on_hand") - F("held"))
    found: dict[tuple[UUID, int], int] = defaultdict(int)
    for family, size, count in (*sent, *here):
        found[family, size] += count
    return dict(found)
