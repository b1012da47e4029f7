"""The scan box: what a scanner types, or a camera reads, opens the page of what it names: a bin, a tray, or
an order by the name on its papers."""

import re
from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone

from inventory.models import Balance, Place, PlaceKind, PurchaseList
from inventory.selectors.movements import job_of_tray
from inventory.selectors.overview import holds_in
from shop.models import Site
from shop.pages.forms import ActForm
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action

_ID = re.compile(r"([0-9a-f]{8}-(?:[0-9a-f]{4}-){3}[0-9a-f]{12})/?\Z", re.IGNORECASE)


class ScanForm(ActForm):
    """What was scanned or typed: a label's address, or the code of a bin or tray."""

    code = forms.CharField(
        label="Scan a label, or type a bin, tray or order",
        max_length=300,
        widget=forms.TextInput(attrs={"autofocus": True, "autocomplete": "off", "data-scan": ""}),
    )


@page(see=Action.READ)
def scan_page(request: PageRequest, site: Site) -> HttpResponse:
    form = ScanForm(request.GET if "code" in request.GET else None)
    if form.is_bound and form.is_valid():
        found = _named(site, form.cleaned_data["code"].strip())
        if found is not None:
            return redirect("place", site.code, found.pk)
        order = _order_named(site, form.cleaned_data["code"].strip())
        if order is not None:
            return redirect("purchase", site.code, order.pk)
        form.add_error(
            "code", f"No bin, tray or order of {site} has that label. Check that it is this site's."
        )
    status = 404 if form.errors else 200
    return render(request, "inventory/scan.html", {"form": form}, status=status)


@page(see=Action.READ)
def place_page(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    """Where a label's code leads: the page of the bin, or what lies in the tray and for whom."""
    place = get_object_or_404(Place, site=site, pk=pk, kind__in=[PlaceKind.BIN, PlaceKind.TRAY])
    if place.kind == PlaceKind.BIN:
        return redirect("bin", site.code, place.pk)
    content = Balance.objects.filter(place=place, on_hand__gt=0).select_related("family")
    context = {
        "place": place,
        "content": content.order_by("family__code", "thickness_nm", "condition"),
        "holds": holds_in(place, at=timezone.now()),
        "job_id": job_of_tray(place),
    }
    return render(request, "inventory/tray.html", context)


def _named(site: Site, code: str) -> Place | None:
    places = Place.objects.filter(site=site, kind__in=[PlaceKind.BIN, PlaceKind.TRAY])
    scanned = _ID.search(code)
    if scanned:
        return places.filter(pk=UUID(scanned[1])).first()
    return places.filter(code__iexact=code).first()


def _order_named(site: Site, code: str) -> PurchaseList | None:
    """The order whose paper has this code, or that a delivery note calls by our name for it, such as
    NORTH-12, or by the supplier's own."""
    rows = PurchaseList.objects.filter(site=site)
    scanned = _ID.search(code)
    if scanned:
        return rows.filter(pk=UUID(scanned[1])).first()
    name, _, number = code.rpartition("-")
    if name.casefold() == site.code.casefold() and number.isdecimal() and len(number) < 10:
        return rows.filter(number=int(number)).first()
    return rows.filter(reference__iexact=code, state__in=PurchaseList.ON_THE_WAY).order_by("-number").first()
