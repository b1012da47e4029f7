"""Inspection: recovered shims are looked at, measured, and go back to a bin or to scrap."""

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone

from inventory.models import Balance, Condition, PlaceKind
from inventory.selectors.overview import proposed_bins
from inventory.selectors.places import place_of
from inventory.selectors.stock import content
from inventory.services.floor import Shims, measure_shim, return_to_bin
from inventory.ui.forms import MeasureForm, ReturnForm
from shop.errors import ShopError
from shop.models import Site
from shop.pages.answers import done
from shop.pages.forms import posted
from shop.pages.once import once
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action


@page(see=Action.READ)
def inspection_page(request: PageRequest, site: Site) -> HttpResponse:
    lots = list(content(site, PlaceKind.INSPECTION))
    proposed = proposed_bins(site, [(lot.family_id, lot.thickness_nm) for lot in lots])
    return render(
        request,
        "inventory/inspection.html",
        {
            "unmeasured": [lot for lot in lots if lot.condition == Condition.UNMEASURED],
            "measured": [
                (lot, proposed.get((lot.family_id, lot.thickness_nm)))
                for lot in lots
                if lot.condition != Condition.UNMEASURED
            ],
            "place": place_of(site, PlaceKind.INSPECTION),
        },
    )


@page(see=Action.INSPECT, do=Action.INSPECT)
def measure_page(
    request: PageRequest, site: Site, lot: int, refusal: ShopError | None = None
) -> HttpResponse:
    found = _lot(site, lot)
    form = MeasureForm(posted(request))
    if request.method == "POST" and refusal is None and form.is_valid():
        at, keyed = timezone.now(), form.cleaned_data
        with once(keyed["once"], at) as first:
            if first:
                measure_shim(
                    site=site,
                    actor=request.actor,
                    at=at,
                    found=Shims(
                        family=found.family,
                        thickness_nm=found.thickness_nm,
                        condition=found.condition,
                        quantity=1,
                    ),
                    measured=keyed["thickness"],
                    face=keyed["face"],
                    marking_legible=keyed["marking_legible"],
                )
        return done(request, f"Measured: {keyed['thickness']}.", "inspection", site.code)
    refusal = form.take(refusal)
    context = {"form": form, "lot": found, "refusal": refusal}
    return render(request, "inventory/measure.html", context, status=400 if form.errors else 200)


@page(see=Action.INSPECT, do=Action.INSPECT)
def return_page(request: PageRequest, site: Site, lot: int, refusal: ShopError | None = None) -> HttpResponse:
    found = _lot(site, lot)
    place = proposed_bins(site, [(found.family_id, found.thickness_nm)]).get(
        (found.family_id, found.thickness_nm)
    )
    form = ReturnForm(
        posted(request),
        place=found.place,
        initial={"lot": found.pk, "quantity": found.on_hand, "target": place},
    )
    if request.method == "POST" and refusal is None and form.is_valid():
        at, keyed = timezone.now(), form.cleaned_data
        with once(keyed["once"], at) as first:
            if first:
                return_to_bin(site=site, actor=request.actor, at=at, shims=form.shims(keyed["target"]))
        return done(
            request, f"{keyed['quantity']} returned to bin {keyed['target']}.", "inspection", site.code
        )
    refusal = form.take(refusal)
    context = {"form": form, "lot": found, "proposed": place, "refusal": refusal}
    return render(request, "inventory/return.html", context, status=400 if form.errors else 200)


def _lot(site: Site, pk: int) -> Balance:
    lots = Balance.objects.select_related("family", "place__site")
    return get_object_or_404(lots, pk=pk, site=site, place__kind=PlaceKind.INSPECTION, on_hand__gt=0)
