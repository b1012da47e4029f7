"""The care of one bin: what it is kept for, where it is, merged, split, out of use and back."""

from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone

from inventory.models import Place
from inventory.selectors.places import bins
from inventory.services.bin_content import merge_bins, split_bin
from inventory.services.bins import edit_bin, relocate_bin, restore_bin, retire_bin
from inventory.services.catalogue import add_bin
from inventory.ui.bin_care_forms import (
    AddBinForm,
    BinForm,
    EditBinForm,
    MergeBinForm,
    NoteForm,
    RelocateBinForm,
    SplitBinForm,
)
from inventory.ui.bins import bin_at
from shop.errors import ShopError
from shop.models import Site
from shop.pages.answers import done
from shop.pages.forms import posted
from shop.pages.once import once, said
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action


@page(see=Action.EDIT_CATALOGUE, do=Action.EDIT_CATALOGUE)
def add_bin_page(request: PageRequest, site: Site, refusal: ShopError | None = None) -> HttpResponse:
    at = {name: request.GET[name] for name in ("cabinet", "row", "column") if name in request.GET}
    form = AddBinForm(posted(request), initial=at)
    if request.method == "POST" and refusal is None and form.is_valid():
        now, keyed = timezone.now(), form.values()
        with once(form.cleaned_data["once"], now) as first:
            if first:
                add_bin(site=site, actor=request.actor, at=now, **keyed)
        made = bins(site).filter(code=keyed["code"]).first()
        where = ("bin", site.code, made.pk) if made else ("bins", site.code)
        return done(request, said(first, f"Bin {keyed['code']} is added."), *where)
    refusal = form.take(refusal)
    context = {"form": form, "refusal": refusal}
    return render(request, "inventory/add_bin.html", context, status=400 if form.errors else 200)


@page(see=Action.EDIT_BINS, do=Action.EDIT_BINS)
def edit_bin_page(
    request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None
) -> HttpResponse:
    place = bin_at(site, pk)
    form = EditBinForm(posted(request), place=place)
    if request.method == "POST" and refusal is None and form.is_valid():
        edit_bin(place=place, actor=request.actor, at=timezone.now(), **form.values())
        return done(request, f"{place} is changed.", "bin", site.code, pk)
    hint = "What lies in it stays there; what does not belong any more is shown as misplaced."
    return _care(request, place, form, "What the bin is kept for", "Save", refusal, hint)


@page(see=Action.EDIT_BINS, do=Action.EDIT_BINS)
def relocate_bin_page(
    request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None
) -> HttpResponse:
    place = bin_at(site, pk)
    form = RelocateBinForm(posted(request), place=place)
    if request.method == "POST" and refusal is None and form.is_valid():
        relocate_bin(place=place, actor=request.actor, at=timezone.now(), **form.values())
        return done(request, f"{place} has another place.", "bin", site.code, pk)
    hint = "If another bin is there, the two change places."
    return _care(request, place, form, "Where the bin is", "Relocate", refusal, hint)


@page(see=Action.EDIT_BINS, do=Action.EDIT_BINS)
def merge_bin_page(
    request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None
) -> HttpResponse:
    place = bin_at(site, pk)
    form = MergeBinForm(posted(request), place=place)
    if request.method == "POST" and refusal is None and form.is_valid():
        target = merge_bins(source=place, actor=request.actor, at=timezone.now(), **form.values())
        sentence = f"Everything in {place} is in {target} now, and {place} is out of use."
        return done(request, sentence, "bin", site.code, target.pk)
    hint = "All its shims go over with what they are held for. Its history stays, and its code stays taken."
    return _care(request, place, form, "Merge into another bin", "Merge", refusal, hint)


@page(see=Action.EDIT_BINS, do=Action.EDIT_BINS)
def split_bin_page(
    request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None
) -> HttpResponse:
    place = bin_at(site, pk)
    form = SplitBinForm(posted(request), place=place)
    if request.method == "POST" and refusal is None and form.is_valid():
        made = split_bin(source=place, actor=request.actor, at=timezone.now(), **form.values())
        return done(request, f"Bin {made} is made and filled from {place}.", "bin", site.code, made.pk)
    hint = "A new bin for one size; what is of that grade goes to it, with what it is held for."
    return _care(request, place, form, "Split one size off", "Split", refusal, hint)


@page(see=Action.EDIT_BINS, do=Action.EDIT_BINS)
def retire_bin_page(
    request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None
) -> HttpResponse:
    place = bin_at(site, pk)
    form = NoteForm(posted(request), place=place)
    if request.method == "POST" and refusal is None and form.is_valid():
        retire_bin(place=place, actor=request.actor, at=timezone.now(), **form.values())
        return done(request, f"{place} is out of use.", "bin", site.code, pk)
    hint = "Only an empty bin goes out of use; its history stays readable."
    return _care(request, place, form, "Take the bin out of use", "Take out of use", refusal, hint)


@page(see=Action.EDIT_BINS, do=Action.EDIT_BINS)
def restore_bin_page(
    request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None
) -> HttpResponse:
    place = bin_at(site, pk)
    form = NoteForm(posted(request), place=place)
    if request.method == "POST" and refusal is None and form.is_valid():
        back = restore_bin(place=place, actor=request.actor, at=timezone.now(), **form.values())
        lost = (
            "" if back.cabinet or not place.cabinet else " Another bin has its position: give it a new one."
        )
        return done(request, f"{place} is in use again.{lost}", "bin", site.code, pk)
    hint = "Where another bin has taken its position it comes back without one."
    title, verb = "Bring the bin back into use", "Bring back into use"
    return _care(request, place, form, title, verb, refusal, hint, restores=True)


def _care(
    request: PageRequest,
    place: Place,
    form: BinForm,
    title: str,
    verb: str,
    refusal: ShopError | None,
    hint: str,
    *,
    restores: bool = False,
) -> HttpResponse:
    """The form, where the bin is one that it can be done to; what to do instead where it is not."""
    idle = None
    if restores != (place.retired_at is not None):
        idle = "inventory/_in_use.html" if restores else "inventory/_out_of_use.html"
    refusal = form.take(refusal)
    context = {
        "place": place,
        "form": form,
        "title": title,
        "verb": verb,
        "hint": hint,
        "refusal": refusal,
        "idle": idle,
    }
    return render(request, "inventory/bin_care.html", context, status=400 if form.errors else 200)
