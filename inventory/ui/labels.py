"""Printing labels: sheets of them for a cabinet or the trays, single ones for a label printer."""

from typing import Any
from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from inventory.compute.lengths import plausible_shim
from inventory.labels import MOST_LABELS, Label, Sheet, render_sheet, render_single
from inventory.models import Condition, Place, PlaceKind
from inventory.selectors.labels import (
    Address,
    bin_labels,
    cabinets,
    labels_of,
    no_such_pack,
    pack_label,
    too_many,
    tray_labels,
)
from inventory.ui.fields import HowManyField, LengthField
from shop.models import Site
from shop.pages.forms import ActForm
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action

BINS, TRAYS = "bins", "trays"
SHEETS = [(sheet.value, sheet.label) for sheet in Sheet]


def refuse_too_many_used(form: forms.Form, keyed: dict[str, Any]) -> None:
    """Put an error at `skip` where the sheet has not so many places."""
    if keyed.get("sheet") and (keyed.get("skip") or 0) >= Sheet(keyed["sheet"]).format.per_page:
        most = Sheet(keyed["sheet"]).format.per_page - 1
        form.add_error("skip", f"The sheet has {most + 1} places: key in 0 to {most}.")


class SheetForm(ActForm):
    """Which labels, on which sheet, and how many places of it are used already."""

    what = forms.ChoiceField(label="Labels for")
    sheet = forms.ChoiceField(label="Sheet", choices=SHEETS)
    skip = HowManyField(label="Places already used on the first sheet", min_value=0, initial=0)

    def __init__(self, *args: object, site: Site, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)
        self.fields["what"].choices = [
            *((f"cabinet:{name}", f"Bins of cabinet {name or 'without a name'}") for name in cabinets(site)),
            (BINS, "All bins"),
            (TRAYS, "Trays"),
        ]

    def clean(self) -> dict:
        keyed = super().clean()
        refuse_too_many_used(self, keyed)
        return keyed


class PackForm(ActForm):
    """What is in a pack."""

    thickness = LengthField(label="Thickness", plausible=plausible_shim)
    condition = forms.ChoiceField(choices=[("new", "New"), ("used", "Used")])
    quantity = HowManyField(label="How many in the pack")
    labels = HowManyField(
        label="How many labels",
        max_value=MOST_LABELS,
        required=False,
        error_messages={
            "max_value": f"{MOST_LABELS:,} labels are the most at once: key in so many or fewer, and make "
            "the rest as another PDF."
        },
    )
    sheet = forms.ChoiceField(
        label="On which paper",
        choices=[("", "Label printer"), *SHEETS],
        required=False,
    )
    skip = HowManyField(label="Places already used on the first sheet", min_value=0, required=False)

    def __init__(self, *args: Any, place: Place, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.place = place

    def clean(self) -> dict[str, Any]:
        keyed = super().clean() or self.cleaned_data
        thickness, condition = keyed.get("thickness"), keyed.get("condition")
        if thickness and condition and (words := no_such_pack(self.place, thickness, condition)):
            self.add_error("thickness", words)
        refuse_too_many_used(self, keyed)
        return keyed


@page(see=Action.READ)
def labels_page(request: PageRequest, site: Site) -> HttpResponse:
    form = SheetForm(request.GET if "what" in request.GET else None, site=site)
    if form.is_bound and form.is_valid():
        keyed = form.cleaned_data
        found = _chosen(keyed["what"], site, _address(request, site))
        if found and not (words := too_many(found, of_all_bins=keyed["what"] == BINS)):
            sheet = Sheet(keyed["sheet"])
            return _pdf(render_sheet(found, sheet, skip=keyed["skip"]), f"labels-{site.code}")
        form.add_error("what", words if found else "There is nothing to label yet.")
    status = 400 if form.errors else 200
    return render(request, "inventory/labels.html", {"form": form}, status=status)


@page(see=Action.READ)
def label_page(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    """One label of a bin or tray, on paper of its own size."""
    place = _labelled(site, pk)
    (label,) = labels_of([place], _address(request, site))
    return _pdf(render_single(label), f"label-{place.code}")


@page(see=Action.READ)
def pack_label_page(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    """A pack that belongs into this bin."""
    place = _labelled(site, pk)
    initial = {"quantity": 1, "labels": 1, "skip": 0}
    form = PackForm(request.GET if "thickness" in request.GET else None, place=place, initial=initial)
    # No pack is put into a bin that is out of use: the page says so, and offers to bring it back.
    if form.is_bound and form.is_valid() and not place.retired_at:
        keyed = form.cleaned_data
        label = pack_label(
            place,
            thickness_nm=keyed["thickness"].nm,
            quantity=keyed["quantity"],
            condition=Condition(keyed["condition"]).label.lower(),
            address=_address(request, site),
        )
        copies = keyed["labels"] or 1
        if keyed["sheet"]:
            pdf = render_sheet([label] * copies, Sheet(keyed["sheet"]), skip=keyed["skip"] or 0)
        else:
            pdf = render_single(label, copies=copies)
        return _pdf(pdf, f"pack-{place.code}")
    status = 400 if form.errors else 409 if form.is_bound else 200
    return render(request, "inventory/pack_label.html", {"form": form, "place": place}, status=status)


def _chosen(what: str, site: Site, address: Address) -> list[Label]:
    if what == TRAYS:
        return tray_labels(site, address)
    kind, _, cabinet = what.partition(":")
    return bin_labels(site, address, cabinet=cabinet if kind == "cabinet" else None)


def _labelled(site: Site, pk: UUID) -> Place:
    return get_object_or_404(
        Place.objects.select_related("family"), site=site, pk=pk, kind__in=[PlaceKind.BIN, PlaceKind.TRAY]
    )


def _address(request: PageRequest, site: Site) -> Address:
    def address(place: Place) -> str:
        return request.build_absolute_uri(reverse("place", args=[site.code, place.pk]))

    return address


def _pdf(data: bytes, name: str) -> HttpResponse:
    answer = HttpResponse(data, content_type="application/pdf")
    safe = "".join(sign if sign.isalnum() or sign in "-_" else "-" for sign in name)
    answer["Content-Disposition"] = f'inline; filename="{safe}.pdf"'
    return answer
