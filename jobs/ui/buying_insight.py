"""What buying costs and what it saves, for the manager."""

from datetime import datetime
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.dates import MONTHS

from inventory.compute.price_chart import BOTTOM, HEIGHT, LEFT, RIGHT, TOP, WIDTH, chart
from inventory.models import ShimFamily
from inventory.selectors.buying import bought_sizes, prices_of, punctuality, saved_by_gathering, spent
from jobs.selectors.savings import savings_of
from shop.conf import conf
from shop.models import Site
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action

_FIRST, _LAST = 2000, 2200
_FRAME = {
    "width": WIDTH,
    "height": HEIGHT,
    "left": LEFT,
    "right": WIDTH - RIGHT,
    "top": TOP,
    "bottom": HEIGHT - BOTTOM,
}


@page(see=Action.SEE_SAVINGS)
def buying_insight_page(request: PageRequest, site: Site) -> HttpResponse:
    now = timezone.localtime()
    asked = request.GET.get("year", "")
    year = int(asked) if asked.isdecimal() and len(asked) == 4 and _FIRST <= int(asked) <= _LAST else now.year
    begin, end = (datetime(start, 1, 1, tzinfo=now.tzinfo) for start in (year, year + 1))
    swaps = savings_of(site, year, begin, end)
    context = {
        "year": year,
        "this_year": now.year,
        "currency": conf.currency,
        "spent": [(MONTHS[row.month], row) for row in spent(site, begin, end)],
        "gathered": saved_by_gathering(site, begin, end),
        "swaps": swaps,
        "swaps_saved": swaps.shown(swaps.swaps_saved),
        "suppliers": punctuality(site, begin, end),
        **_prices(request, site),
    }
    return render(request, "jobs/buying_insight.html", context)


def _prices(request: HttpRequest, site: Site) -> dict[str, Any]:
    """The size that the page's address asks for, else the one that was bought most often, with its prices."""
    bought = bought_sizes(site)
    sizes = [(f"{family.code}-{nm}", family, nm) for family, nm, _ in bought]
    chosen = request.GET.get("size", "")
    found: tuple[str, ShimFamily, int] | None = next((size for size in sizes if size[0] == chosen), None)
    if found is None and sizes:
        most = max(range(len(bought)), key=lambda index: bought[index][2])
        found = sizes[most]
    if found is None:
        return {"sizes": [], "prices": [], "chart": None}
    key, family, nm = found
    prices, currency = prices_of(site, family, nm)
    return {
        "sizes": sizes,
        "size": key,
        "family": family,
        "nm": nm,
        "prices": prices[::-1],
        "price_currency": currency,
        "chart": chart(prices),
        "frame": _FRAME,
    }
