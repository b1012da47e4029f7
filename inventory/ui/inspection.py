"""Inspection: recovered shims are looked at, measured, and go back to a bin or to scrap."""

from dataclasses import dataclass, replace
from datetime import datetime
from uuid import UUID

from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone

from inventory.models import Balance, Condition, Inspection, Place, PlaceKind, SupplierClaim
from inventory.selectors.claims import claimed_in_inspection
from inventory.selectors.inspections import Lot, became, lies_as, waiting_inspections
from inventory.selectors.places import place_of
from inventory.selectors.putaway import BinFinder
from inventory.selectors.stock import content
from inventory.services.floor import return_to_bin, scrap_shims
from inventory.services.inspecting import inspect_shim
from inventory.services.inspection_fate import refuse_taken
from inventory.services.shim_lines import Shims
from inventory.services.texts import counted
from inventory.ui.forms import ReturnForm
from inventory.ui.inspection_forms import InspectForm
from shop.errors import ShopError, WrongState
from shop.models import Site
from shop.pages.answers import done
from shop.pages.forms import posted
from shop.pages.once import OnceForm, once, said
from shop.pages.people import PageRequest
from shop.pages.refusals import refusal_page
from shop.pages.views import page
from shop.roles import Action

NOT_FOR_NEW = (
    "A new shim needs no inspection: it counts at its marking. If it is not what it is marked, regrade it; "
    "if it is damaged, return it to its supplier or scrap it."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A lot of the bench that was measured: the bin that has room for it, or else the full one that it
    belongs in, and what waits over it. `scrap`: an inspection that says so of every shim that is left."""

    lot: Balance
    proposed: Place | None
    full: Place | None
    claims: list[tuple[SupplierClaim, int]]
    waiting: list[Inspection]
    scrap: Inspection | None


@page(see=Action.READ)
def inspection_page(request: PageRequest, site: Site) -> HttpResponse:
    lots = list(content(site, PlaceKind.INSPECTION))
    finder = BinFinder(site)
    claimed = claimed_in_inspection(site)
    waiting = waiting_inspections(site)
    return render(
        request,
        "inventory/inspection.html",
        {
            "unmeasured": [
                (lot, waiting.get(_lot_of(lot), []), _all_scrap(lot, waiting.get(_lot_of(lot), [])))
                for lot in lots
                if lot.condition == Condition.UNMEASURED
            ],
            "measured": [
                _measured(
                    lot,
                    finder,
                    _claims_over(lot, claimed.get((lot.family_id, lot.thickness_nm), [])),
                    waiting.get(_lot_of(lot), []),
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
    if found.condition == Condition.NEW:
        return refusal_page(request, WrongState(NOT_FOR_NEW))
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
                    again=inspection_meant(request, site),
                )
        if not first:
            return done(request, said(first, ""), "inspection", site.code)
        sentence = f"Inspected: {made.thickness_keyed}, face {made.get_face_display().lower()}."
        return done(request, sentence, "inspected", site.code, made.pk)
    refusal = form.take(refusal)
    context = {"form": form, "lot": found, "refusal": refusal}
    return render(request, "inventory/measure.html", context, status=400 if form.errors else 200)


@page(see=Action.INSPECT, do=Action.INSPECT)
def inspected_page(
    request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None
) -> HttpResponse:
    """What an inspection came to; its proposal is taken with one press."""
    inspections = Inspection.objects.select_related("family", "proposed_bin__family", "taken", "looked_again")
    inspection = get_object_or_404(inspections, site=site, pk=pk)
    form = OnceForm(posted(request))
    if request.method == "POST" and refusal is None and form.is_valid():
        at = timezone.now()
        with once(form.cleaned_data["once"], at) as first:
            sentence = _take(request, inspection, at) if first else ""
        return done(request, said(first, sentence), "inspection", site.code)
    refusal = form.take(refusal)
    context = {
        "inspection": inspection,
        "spread": inspection.spread_nm,
        "became": (words := became(inspection)),
        "lying": None if words else _lying(site, inspection),
        "place": place_of(site, PlaceKind.INSPECTION),
        "form": form,
        "refusal": refusal,
    }
    return render(request, "inventory/inspected.html", context, status=400 if form.errors else 200)


def _take(request: PageRequest, inspection: Inspection, at: datetime) -> str:
    common = {"site": request.site, "actor": request.actor, "at": at, "inspected": inspection}
    refuse_taken(inspection)
    lying = _lying(request.site, inspection)
    if lying is None:
        raise WrongState("This shim is not on the bench any more: it was put away or scrapped meanwhile.")
    if inspection.fate == Inspection.Fate.SCRAP:
        scrap_shims(**common, source=lying.place, shims=[_one(lying)], note=inspection.why)
        return f"{inspection.thickness_keyed} scrapped."
    if inspection.proposed_bin is None:
        raise WrongState("No bin has room for it: choose one, or put another into use.")
    return_to_bin(**common, shims=[replace(_one(lying), place=inspection.proposed_bin)])
    return f"{inspection.thickness_keyed} is in bin {inspection.proposed_bin}."


def _lying(site: Site, inspection: Inspection) -> Balance | None:
    """Where the inspected shim lies on the bench; None once it is gone. An old inspection that left the
    books as they were is taken for a shim of just its thickness, one that waits for the micrometer first."""
    nm, condition = lies_as(inspection)
    lots = Balance.objects.select_related("family", "place").filter(
        site=site, place__kind=PlaceKind.INSPECTION, family=inspection.family, thickness_nm=nm, on_hand__gt=0
    )
    if condition:
        return lots.filter(condition=condition).first()
    return lots.exclude(condition=Condition.NEW).order_by("condition").first()  # "unmeasured" before "used"


def inspection_meant(request: PageRequest, site: Site) -> Inspection | None:
    """The inspection whose shim is dealt with, as the page's address names it."""
    if "inspection" not in request.GET:
        return None
    try:
        pk = UUID(request.GET["inspection"])
    except ValueError as error:
        raise Http404 from error
    return get_object_or_404(Inspection, site=site, pk=pk)


def _measured(
    lot: Balance, finder: BinFinder, claims: list[tuple[SupplierClaim, int]], waiting: list[Inspection]
) -> Measured:
    proposed, full = _belongs(lot, finder)
    return Measured(
        lot=lot,
        proposed=proposed,
        full=full,
        claims=claims,
        waiting=waiting,
        scrap=_all_scrap(lot, waiting),
    )


def _belongs(lot: Balance, finder: BinFinder) -> tuple[Place | None, Place | None]:
    """The bin that has room for one more, as an inspection proposes it; else the full one of its grade."""
    if place := finder.propose(lot.family, lot.thickness_nm, 1).first:
        return place, None
    belonging = finder.belonging(lot.family, lot.thickness_nm)
    return None, belonging[0].place if belonging else None


def _all_scrap(lot: Balance, waiting: list[Inspection]) -> Inspection | None:
    """The oldest inspection that proposed scrap, where that holds of every shim of the lot."""
    to_scrap = _to_scrap(waiting)
    return to_scrap[0] if len(to_scrap) >= lot.on_hand else None


def _to_scrap(waiting: list[Inspection]) -> list[Inspection]:
    return [inspection for inspection in waiting if inspection.fate == Inspection.Fate.SCRAP]


def _claims_over(lot: Balance, claims: list[SupplierClaim]) -> list[tuple[SupplierClaim, int]]:
    """Claims over this lot and how many of its shims each still covers: some may have gone back already."""
    left = lot.on_hand if lot.condition == Condition.NEW else 0
    over = []
    for claim in claims:
        if number := min(claim.quantity, left):
            over.append((claim, number))
            left -= number
    return over


@page(see=Action.INSPECT, do=Action.INSPECT)
def return_page(request: PageRequest, site: Site, lot: int, refusal: ShopError | None = None) -> HttpResponse:
    found = _lot(site, lot)
    inspected = inspection_meant(request, site)
    place, full = _belongs(found, BinFinder(site))
    to_scrap = len(_to_scrap(waiting_inspections(site).get(_lot_of(found), [])))
    form = ReturnForm(
        posted(request),
        lot=found,
        initial={
            "lot": found.pk,
            "quantity": 1 if inspected else max(found.on_hand - to_scrap, 1),
            "target": place,
        },
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
                    inspected=inspected,
                )
        sentence = f"{counted(keyed['quantity'], 'shim')} returned to bin {keyed['target']}."
        return done(request, said(first, sentence), "inspection", site.code)
    refusal = form.take(refusal)
    context = {"form": form, "lot": found, "proposed": place, "full": full, "refusal": refusal}
    return render(request, "inventory/return.html", context, status=400 if form.errors else 200)


def _lot_of(lot: Balance) -> Lot:
    return Lot(lot.family_id, lot.thickness_nm, lot.condition)


def _one(lot: Balance) -> Shims:
    return Shims(
        family=lot.family, thickness_nm=lot.thickness_nm, condition=lot.condition, quantity=1, place=lot.place
    )


def _lot(site: Site, pk: int) -> Balance:
    lots = Balance.objects.select_related("family", "place__site")
    return get_object_or_404(lots, pk=pk, site=site, place__kind=PlaceKind.INSPECTION, on_hand__gt=0)
