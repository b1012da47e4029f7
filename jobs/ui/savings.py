"""What swaps saved over the year, for the manager."""

from datetime import datetime

from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.dates import MONTHS

from jobs.selectors.savings import savings_of
from shop.models import Site
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action

_FIRST, _LAST = 2000, 2200


@page(see=Action.SEE_SAVINGS)
def savings_page(request: PageRequest, site: Site) -> HttpResponse:
    now = timezone.localtime()
    asked = request.GET.get("year", "")
    year = int(asked) if asked.isdecimal() and len(asked) == 4 and _FIRST <= int(asked) <= _LAST else now.year
    begin, end = (datetime(start, 1, 1, tzinfo=now.tzinfo) for start in (year, year + 1))
    saved = savings_of(site, year, begin, end)
    rows = [
        (
            MONTHS[month.number],
            month,
            saved.shown(month.swaps_saved),
            saved.shown(month.used_saved),
            saved.shown(month.swaps_saved + month.used_saved),
        )
        for month in saved.months
        if month.swaps or month.used
    ]
    context = {
        "saved": saved,
        "rows": rows,
        "total": saved.shown(saved.total),
        "swaps_saved": saved.shown(saved.swaps_saved),
        "this_year": now.year,
    }
    return render(request, "jobs/savings.html", context)
