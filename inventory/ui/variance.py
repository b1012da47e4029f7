"""The variance report: what counts found, in shims and in money."""

from datetime import timedelta

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone

from inventory.selectors.variance import variance_report
from shop.models import Site
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action

ROWS = 40
PERIODS = {"30": "the last 30 days", "90": "the last 90 days", "365": "the last year", "": "all time"}
USUAL = "90"


@page(see=Action.READ)
def variance_page(request: PageRequest, site: Site) -> HttpResponse:
    days = request.GET.get("days", USUAL)
    if days not in PERIODS:
        days = USUAL
    since = timezone.now() - timedelta(days=int(days)) if days else None
    report = variance_report(site, since=since)
    context = {
        "report": report,
        "lines": Paginator(report.lines, ROWS).get_page(request.GET.get("page")),
        "periods": PERIODS.items(),
        "days": days,
        "words": PERIODS[days],
    }
    return render(request, "inventory/variance.html", context)
