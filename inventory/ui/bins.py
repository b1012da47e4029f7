"""Bins: the cabinets, and one bin with what is in it and what went through it."""

from uuid import UUID

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone

from inventory.compute.lengths import plausible_shim
from inventory.models import BinCount, Place, PlaceKind
from inventory.selectors.cabinets import bin_at_a_glance, cabinets_of
from inventory.selectors.movements import history_of_place
from inventory.selectors.overview import holds_in
from inventory.selectors.places import retired_bins
from inventory.selectors.putaway import proposed_for
from inventory.services.floor import count_in, move_shims, scrap_shims
from inventory.services.texts import counted
from inventory.ui.fields import FamilyField, HowManyField, LengthField
from inventory.ui.forms import CountInForm, MoveForm, ScrapForm
from inventory.ui.inspection import inspection_meant
from shop.errors import ShopError
from shop.models import Site
from shop.pages.answers import done
from shop.pages.forms import ActForm, posted
from shop.pages.once import once, said
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action

ROWS = 40


class FindForm(ActForm):
    """Which bin a thickness belongs to."""

    family = FamilyField()
    thickness = LengthField(
        label="Thickness", plausible=plausible_shim, help_text="In mm unless you add another unit."
    )
    quantity = HowManyField(label="How many", initial=1)


@page(see=Action.READ)
def bins_page(request: PageRequest, site: Site) -> HttpResponse:
    form = FindForm(request.GET if "thickness" in request.GET else None)
    found = None
    if form.is_bound and form.is_valid():
        keyed = form.cleaned_data
        found = proposed_for(site, keyed["family"], keyed["thickness"].nm, keyed["quantity"])
    context = {
        "view": cabinets_of(site, at=timezone.now()),
        "retired": retired_bins(site),
        "form": form,
        "found": found,
    }
    return render(request, "inventory/bins.html", context, status=400 if form.errors else 200)


@page(see=Action.READ)
def bin_page(request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None) -> HttpResponse:
    place, at = bin_at(site, pk), timezone.now()
    history = Paginator(history_of_place(place), ROWS).get_page(request.GET.get("page"))
    return render(
        request,
        "inventory/bin.html",
        {
            "place": place,
            "glance": bin_at_a_glance(place, at=at),
            "holds": holds_in(place, at=at),
            "events": place.events.select_related("other").order_by("-id")[:ROWS],
            "history": history,
            "under_count": place.counts.filter(state__in=BinCount.OPEN_STATES).first(),
            "refusal": refusal,
        },
    )


@page(see=Action.MOVE_STOCK, do=Action.MOVE_STOCK)
def move_page(request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None) -> HttpResponse:
    place = bin_at(site, pk)
    form = MoveForm(posted(request), place=place)
    if request.method == "POST" and refusal is None and form.is_valid():
        at, keyed = timezone.now(), form.cleaned_data
        with once(keyed["once"], at) as first:
            if first:
                move_shims(
                    site=site,
                    actor=request.actor,
                    at=at,
                    source=place,
                    shims=form.shims(keyed["target"]),
                    note=keyed["note"],
                    confirm=form.confirmed,
                )
        sentence = f"{counted(keyed['quantity'], 'shim')} moved from {place} to {keyed['target']}."
        return done(request, said(first, sentence), "bin", site.code, pk)
    refusal = form.take(refusal)
    return _act(request, place, form, "Move shims to another bin", "Move", refusal)


@page(see=Action.SCRAP, do=Action.SCRAP)
def scrap_page(request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None) -> HttpResponse:
    place = get_object_or_404(
        Place, site=site, pk=pk, kind__in=[PlaceKind.BIN, PlaceKind.INSPECTION, PlaceKind.RECEIVING]
    )
    inspected = inspection_meant(request, site)
    form = ScrapForm(posted(request), place=place, initial={"lot": request.GET.get("lot")})
    if request.method == "POST" and refusal is None and form.is_valid():
        at, keyed = timezone.now(), form.cleaned_data
        with once(keyed["once"], at) as first:
            if first:
                scrap_shims(
                    site=site,
                    actor=request.actor,
                    at=at,
                    source=place,
                    shims=form.shims(),
                    note=keyed["note"],
                    inspected=inspected,
                )
        sentence = said(first, f"{counted(keyed['quantity'], 'shim')} scrapped.")
        if place.kind == PlaceKind.BIN:
            return done(request, sentence, "bin", site.code, pk)
        return done(request, sentence, "inspection", site.code)
    refusal = form.take(refusal)
    return _act(request, place, form, "Scrap shims", "Scrap", refusal, danger=True)


@page(see=Action.MOVE_STOCK, do=Action.MOVE_STOCK)
def count_in_page(
    request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None
) -> HttpResponse:
    place = bin_at(site, pk)
    form = CountInForm(posted(request), place=place)
    if request.method == "POST" and refusal is None and form.is_valid():
        at, keyed = timezone.now(), form.cleaned_data
        with once(keyed["once"], at) as first:
            if first:
                count_in(
                    site=site,
                    actor=request.actor,
                    at=at,
                    shims=form.shims(),
                    note=keyed["note"],
                    confirm=form.confirmed,
                )
        sentence = said(first, f"{counted(keyed['quantity'], 'shim')} counted into {place}.")
        return done(request, sentence, "bin", site.code, pk)
    refusal = form.take(refusal)
    return _act(request, place, form, "Count shims in", "Count in", refusal)


def bin_at(site: Site, pk: UUID) -> Place:
    """The bin of this page, in use or not; 404 for another site's."""
    return get_object_or_404(
        Place.objects.select_related("site", "family"), site=site, pk=pk, kind=PlaceKind.BIN
    )


def _act(
    request: PageRequest,
    place: Place,
    form: MoveForm | ScrapForm | CountInForm,
    title: str,
    verb: str,
    refusal: ShopError | None,
    *,
    danger: bool = False,
) -> HttpResponse:
    return render(
        request,
        "inventory/act_on_place.html",
        {
            "place": place,
            "form": form,
            "title": title,
            "verb": verb,
            "danger": danger,
            "refusal": refusal,
        },
        status=400 if form.errors else 200,
    )
