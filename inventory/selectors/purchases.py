"""What is to buy, gathered per family and size with the jobs that wait, and what is on its way."""

import uuid
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import groupby

from django.db.models import F, QuerySet

from inventory.models import Need, Offer, PurchaseList, ShimFamily
from shop.models import Site


@dataclass(frozen=True, slots=True, kw_only=True)
class ToBuy:
    """One size that jobs wait for: how many, for which jobs, and who sells it, cheapest first."""

    family: ShimFamily
    thickness_nm: int
    needs: Sequence[Need]
    offers: Sequence[Offer]

    @property
    def quantity(self) -> int:
        return len(self.needs)


def to_buy(site: Site) -> list[ToBuy]:
    """Open needs of the site gathered per family and size; [] when nothing is lacking."""
    needs = list(
        Need.objects.filter(site=site, state=Need.State.OPEN, line=None)
        .select_related("family")
        .order_by("family__code", "thickness_nm", F("needed_by").asc(nulls_last=True), "created_at", "id")
    )
    offers: dict[uuid.UUID, list[Offer]] = {}
    families = {need.family_id for need in needs}
    for offer in Offer.objects.filter(family__in=families).select_related("supplier").order_by("price", "id"):
        offers.setdefault(offer.family_id, []).append(offer)
    return [
        ToBuy(
            family=gathered[0].family,
            thickness_nm=thickness,
            needs=gathered,
            offers=offers.get(family_id, []),
        )
        for (family_id, thickness), group in groupby(
            needs, key=lambda need: (need.family_id, need.thickness_nm)
        )
        for gathered in [list(group)]
    ]


def purchase_lists(site: Site, *, states: Collection[str] | None = None) -> QuerySet[PurchaseList]:
    """The site's lists, newest first, with lines and the needs that each covers; all states where none is
    named.
    """
    rows = PurchaseList.objects.filter(site=site).select_related("supplier")
    if states is not None:
        rows = rows.filter(state__in=states)
    return rows.prefetch_related("lines__family", "lines__needs").order_by("-number")
