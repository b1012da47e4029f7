"""Stock: every family at a glance, and one family by thickness."""

from collections import defaultdict

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render

from inventory.models import Balance, ShimFamily
from inventory.selectors.overview import by_made_size, families_on_hand
from inventory.selectors.stock import count_by_thickness, stock
from shop.models import Site
from shop.pages.views import page
from shop.roles import Action


@page(see=Action.READ)
def stock_page(request: HttpRequest, site: Site) -> HttpResponse:
    return render(request, "inventory/stock.html", {"families": families_on_hand(site)})


@page(see=Action.READ)
def family_page(request: HttpRequest, site: Site, family: str) -> HttpResponse:
    found = get_object_or_404(ShimFamily, code=family)
    counts = count_by_thickness(site, found)
    made = set(found.sizes_nm())
    lots: dict[int, list[Balance]] = defaultdict(list)
    for balance in stock(site, family=found):
        lots[balance.thickness_nm].append(balance)
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
