"""Regrading: shims of a place that are not what the books say."""

from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone

from inventory.models import Condition, Place, PlaceKind
from inventory.services.regrading import regrade_shims
from inventory.services.texts import counted
from inventory.ui.fields import BinField, FamilyField, LengthField
from inventory.ui.forms import LotForm, note_field
from shop.errors import ShopError
from shop.models import Site
from shop.pages.answers import done
from shop.pages.forms import posted
from shop.pages.once import once, said
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action


class RegradeForm(LotForm):
    """What they turned out to be."""

    measured = LengthField(
        label="What they really measure",
        help_text="In mm unless you add another unit; of new ones their size.",
    )
    condition = forms.ChoiceField(
        label="They are",
        choices=[(Condition.USED, "Used"), (Condition.NEW, "New")],
        widget=forms.RadioSelect,
        initial=Condition.USED,
    )
    family = FamilyField(label="Really of another family", required=False, empty_label="No, that is right")
    target = BinField(label="Into which bin", required=False, empty_label="They stay where they are")
    note = note_field("Why")
    pointers = LotForm.pointers | {"/found": "quantity", "/found/quantity": "quantity"}

    def __init__(self, *args: object, place: Place, **kwargs: object) -> None:
        super().__init__(*args, place=place, **kwargs)
        self.fields["target"].set_site(place.site)
        self.fields["target"].queryset = self.fields["target"].queryset.exclude(pk=place.pk)


@page(see=Action.REGRADE, do=Action.REGRADE)
def regrade_page(
    request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None
) -> HttpResponse:
    kinds = [PlaceKind.BIN, PlaceKind.INSPECTION, PlaceKind.RECEIVING]
    place = get_object_or_404(Place.objects.select_related("site"), site=site, pk=pk, kind__in=kinds)
    form = RegradeForm(posted(request), place=place)
    if request.method == "POST" and refusal is None and form.is_valid():
        at, keyed = timezone.now(), form.cleaned_data
        (found,) = form.shims(place)
        with once(keyed["once"], at) as first:
            if first:
                regrade_shims(
                    site=site,
                    actor=request.actor,
                    at=at,
                    found=found,
                    measured=keyed["measured"],
                    note=keyed["note"],
                    condition=keyed["condition"],
                    family=keyed["family"],
                    target=keyed["target"],
                    confirm=form.confirmed,
                )
        sentence = said(first, f"{counted(keyed['quantity'], 'shim')} regraded to {keyed['measured']}.")
        if place.kind == PlaceKind.BIN:
            return done(request, sentence, "bin", site.code, pk)
        return done(request, sentence, "counter", site.code)
    refusal = form.take(refusal)
    context = {"place": place, "form": form, "title": "Regrade shims", "verb": "Regrade", "refusal": refusal}
    return render(request, "inventory/act_on_place.html", context, status=400 if form.errors else 200)
