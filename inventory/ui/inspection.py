"""Inspection: recovered shims are looked at, measured, and go back to a bin or to scrap."""

from dataclasses import replace
from datetime import datetime
from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone

from inventory.models import Balance, Condition, Inspection, PlaceKind
from inventory.selectors.claims import claimed_in_inspection
from inventory.selectors.overview import proposed_bins
from inventory.selectors.places import place_of
from inventory.selectors.stock import content
from inventory.services.floor import return_to_bin, scrap_shims
from inventory.services.inspecting import inspect_shim
from inventory.services.shim_lines import Shims
from inventory.services.texts import counted
from inventory.ui.forms import ReturnForm
from inventory.ui.inspection_forms import InspectForm, TakeForm
from shop.errors import ShopError, WrongState
from shop.models import Site
from shop.pages.answers import done
from shop.pages.forms import posted
from shop.pages.once import once, said
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action


@page(see=Action.READ)
def inspection_page(request: PageRequest, site: Site) -> HttpResponse:
    lots = list(content(site, PlaceKind.INSPECTION))
    proposed = proposed_bins(site, [(lot.family_id, lot.thickness_nm) for lot in lots])
    claimed = claimed_in_inspection(site)
    return render(
        request,
        "inventory/inspection.html",
        {
            "unmeasured": [lot for lot in lots if lot.condition == Condition.UNMEASURED],
            "measured": [
                (
                    lot,
                    proposed.get((lot.family_id, lot.thickness_nm)),
                    claimed.get((lot.family_id, lot.thickness_nm), [])
                    if lot.condition == Condition.NEW
                    else [],
                )
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
    form = InspectForm(posted(request))
    if request.method == "POST" and refusal is None and form.is_valid():
        at, keyed = timezone.now(), form.cleaned_data
        with once(keyed["once"], at) as first:
            if first:
                made = inspect_shim(
                    site=site,
                    actor=request.actor,
                    at=at,
                    found=_one(found),
                    readings=form.readings(),
                    face=keyed["face"],
                    marking_legible=keyed["marking_legible"],
                )
        if not first:
            return done(request, said(first, ""), "inspection", site.code)
        sentence = f"Inspected: {made.thickness_keyed}, face {made.get_face_display().lower()}."
        return done(request, sentence, "inspected", site.code, made.pk, query={"lot": found.pk})
    refusal = form.take(refusal)
    context = {"form": form, "lot": found, "refusal": refusal}
    return render(request, "inventory/measure.html", context, status=400 if form.errors else 200)


@page(see=Action.INSPECT, do=Action.INSPECT)
def inspected_page(
    request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None
) -> HttpResponse:
    """What an inspection came to; its proposal is taken with one press."""
    inspections = Inspection.objects.select_related("family", "proposed_bin__family", "movement")
    inspection = get_object_or_404(inspections, site=site, pk=pk)
    form = TakeForm(posted(request), initial={"lot": request.GET.get("lot")})
    lying = _lying(site, inspection, form["lot"].value())
    if request.method == "POST" and refusal is None and form.is_valid():
        if lying is None:
            raise WrongState("This shim is not on the bench any more: it was put away or scrapped meanwhile.")
        at = timezone.now()
        with once(form.cleaned_data["once"], at) as first:
            sentence = _take(request, inspection, lying, at) if first else ""
        return done(request, said(first, sentence), "inspection", site.code)
    refusal = form.take(refusal)
    context = {
        "inspection": inspection,
        "spread": inspection.spread_nm,
        "lying": lying,
        "place": place_of(site, PlaceKind.INSPECTION),
        "form": form,
        "refusal": refusal,
    }
    return render(request, "inventory/inspected.html", context, status=400 if form.errors else 200)


def _take(request: PageRequest, inspection: Inspection, lying: Balance, at: datetime) -> str:
    common = {"site": request.site, "actor": request.actor, "at": at}
    if inspection.fate == Inspection.Fate.SCRAP:
        scrap_shims(**common, source=lying.place, shims=[_one(lying)], note=inspection.why)
        return f"{inspection.thickness_keyed} scrapped."
    if inspection.proposed_bin is None:
        raise WrongState("No bin has room for it: choose one, or put another into use.")
    return_to_bin(**common, shims=[replace(_one(lying), place=inspection.proposed_bin)])
    return f"{inspection.thickness_keyed} is in bin {inspection.proposed_bin}."


def _lying(site: Site, inspection: Inspection, lot: object) -> Balance | None:
    """Where the inspected shim lies on the bench: at what it measured, or as it was found where the books did
    not move; None once it is gone. Without `lot`, as when the page is opened from the history, only a
    shim of just that thickness is taken for it, and one that waits for the micrometer first."""
    lots = Balance.objects.select_related("family", "place").filter(
        site=site, place__kind=PlaceKind.INSPECTION, family=inspection.family, on_hand__gt=0
    )
    if inspection.movement_id is not None:
        return lots.filter(thickness_nm=inspection.thickness_nm, condition=Condition.USED).first()
    if str(lot).isdecimal() and len(str(lot)) < 18:
        return lots.filter(pk=int(str(lot))).first()
    alike = lots.filter(thickness_nm=inspection.thickness_nm).exclude(condition=Condition.NEW)
    return alike.order_by("condition").first()  # "unmeasured" comes before "used"


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
                return_to_bin(
                    site=site,
                    actor=request.actor,
                    at=at,
                    shims=form.shims(keyed["target"]),
                    confirm=form.confirmed,
                )
        sentence = f"{counted(keyed['quantity'], 'shim')} returned to bin {keyed['target']}."
        return done(request, said(first, sentence), "inspection", site.code)
    refusal = form.take(refusal)
    context = {"form": form, "lot": found, "proposed": place, "refusal": refusal}
    return render(request, "inventory/return.html", context, status=400 if form.errors else 200)


def _one(lot: Balance) -> Shims:
    return Shims(
        family=lot.family, thickness_nm=lot.thickness_nm, condition=lot.condition, quantity=1, place=lot.place
    )


def _lot(site: Site, pk: int) -> Balance:
    lots = Balance.objects.select_related("family", "place__site")
    return get_object_or_404(lots, pk=pk, site=site, place__kind=PlaceKind.INSPECTION, on_hand__gt=0)
