"""Stock: every family at a glance, and one family by thickness."""

import uuid
from collections import defaultdict
from typing import NamedTuple

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone

from inventory.models import Condition, ShimFamily
from inventory.selectors.overview import by_made_size, families_on_hand
from inventory.selectors.stock import count_by_thickness, stock
from shop.models import Site
from shop.pages.views import page
from shop.roles import Action


class LotHere(NamedTuple):
    """One lot as a row of the table names it; address: of its bin's page."""

    address: str
    bin: str
    on_hand: int
    condition: str


@page(see=Action.READ)
def stock_page(request: HttpRequest, site: Site) -> HttpResponse:
    return render(request, "inventory/stock.html", {"families": families_on_hand(site, at=timezone.now())})


@page(see=Action.READ)
def family_page(request: HttpRequest, site: Site, family: str) -> HttpResponse:
    found = get_object_or_404(ShimFamily, code=family)
    counts = count_by_thickness(site, found, at=timezone.now())
    made = set(found.sizes_nm())
    lots = _lots_by_thickness(site, found)
    return render(
        request,
        "inventory/family.html",
        {
            "family": found,
            "shelf": by_made_size(counts, found),
            "rows": [(count, lots[count.size_nm], count.size_nm in made) for count in counts],
            "on_hand": sum(count.on_hand for count in counts),
            "held": sum(count.held for count in counts),
            "none": sum(not count.on_hand for count in counts),
        },
    )


def _lots_by_thickness(site: Site, family: ShimFamily) -> dict[int, list[LotHere]]:
    """A drawer of used shims has hundreds of lots: figures only, and each bin's address made once."""
    lots: dict[int, list[LotHere]] = defaultdict(list)
    words = {value: label.lower() for value, label in Condition.choices}
    addresses: dict[uuid.UUID, str] = {}
    rows = stock(site, family=family).select_related(None)
    for thickness_nm, place, code, on_hand, condition in rows.values_list(
        "thickness_nm", "place_id", "place__code", "on_hand", "condition"
    ):
        address = addresses.get(place) or addresses.setdefault(place, reverse("bin", args=[site.code, place]))
        lots[thickness_nm].append(LotHere(address, code, on_hand, words[condition]))
    return lots
