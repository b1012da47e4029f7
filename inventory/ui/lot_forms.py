"""Forms that take shims out of bins and receiving: to another site, back to a supplier."""

from collections.abc import Sequence
from typing import Any

from django import forms

from inventory.models import Balance, Place, Supplier, Transfer, TransferLine
from inventory.selectors.putaway import BinFinder
from inventory.selectors.transfers import other_sites
from inventory.services.shim_lines import Shims
from inventory.templatetags.shims import mm, place_words
from inventory.ui.asking import AskingForm
from inventory.ui.fields import BinField, FamilyField, HowManyField, LengthField, proposals_first
from inventory.ui.forms import note_field
from shop.models import Site
from shop.pages.forms import ActForm, spoken
from shop.pages.once import OnceForm
from shop.pages.versions import version_field

MOST_SHOWN = 120


class ChooseForm(ActForm):
    """Which shims are shown to choose from."""

    family = FamilyField()
    thinnest = LengthField(label="Not thinner than", required=False)
    thickest = LengthField(label="Not thicker than", required=False)


class LotsForm(OnceForm):
    """So many of each of these lots; an empty number takes none."""

    def __init__(self, *args: Any, lots: Sequence[Balance], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.lots = lots
        self.filled: list[Balance] = []
        for lot in lots:
            words = f"of {mm(lot.thickness_nm)} mm in {place_words(lot.place)}"
            self.fields[_quantity(lot)] = spoken(HowManyField(label="How many", required=False), words)

    def rows(self) -> list[tuple[Balance, forms.BoundField]]:
        return [(lot, self[_quantity(lot)]) for lot in self.lots]

    def heads(self) -> list[forms.BoundField]:
        """The fields that are not about a lot."""
        names = {_quantity(lot) for lot in self.lots}
        return [field for field in self.visible_fields() if field.name not in names]

    def clean(self) -> dict[str, Any]:
        keyed = super().clean() or self.cleaned_data
        self.filled = [lot for lot in self.lots if keyed.get(_quantity(lot))]
        if not self.filled and not self.errors:
            self.add_error(None, "Say how many of at least one lot.")
        return keyed

    def field_of(self, pointer: str) -> str | None:
        steps = pointer.split("/")
        if len(steps) >= 3 and steps[1] == "lines" and int(steps[2]) < len(self.filled):
            return _quantity(self.filled[int(steps[2])])
        return super().field_of(pointer)

    def shims(self) -> list[Shims]:
        return [
            Shims(
                family=lot.family,
                thickness_nm=lot.thickness_nm,
                condition=lot.condition,
                quantity=self.cleaned_data[_quantity(lot)],
                place=lot.place,
            )
            for lot in self.filled
        ]


class SendForm(LotsForm):
    target = forms.ModelChoiceField(
        label="To which site", queryset=Site.objects.none(), empty_label="Choose a site"
    )
    note = note_field("Note", required=False)

    def __init__(self, *args: Any, site: Site, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["target"].queryset = other_sites(site)


class GiveBackForm(LotsForm):
    supplier = forms.ModelChoiceField(
        label="To which supplier", queryset=Supplier.objects.all(), empty_label="Choose a supplier"
    )
    reason = note_field("Why do they go back")
    reference = forms.CharField(label="The supplier’s reference", max_length=80, required=False)


class ArriveForm(AskingForm):
    """How many of each line have come, and into which bin; an empty number has not come."""

    version = version_field()
    note = note_field("Note", required=False)

    def __init__(self, *args: Any, transfer: Transfer, lines: Sequence[TransferLine], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["version"].initial = transfer.version
        self.lines = [line for line in lines if line.in_transit]
        finder = BinFinder(transfer.target)
        bins = BinField(required=False, empty_label="Put away later")
        bins.set_site(transfer.target)
        choices = list(bins.choices)
        self.bins: dict[str, Place] = {str(place.pk): place for place in bins.queryset}
        for line in self.lines:
            words = f"of {mm(line.thickness_nm)} mm"
            belonging = finder.belonging(line.family, line.thickness_nm)
            proposed = finder.propose(line.family, line.thickness_nm, line.in_transit).first
            if line.condition == "unmeasured":
                proposed, belonging = None, []
            count = HowManyField(label="How many came", required=False, initial=line.in_transit)
            place = forms.ChoiceField(
                label="Into bin",
                required=False,
                choices=proposals_first(choices, belonging),
                initial=str(proposed.pk) if proposed else "",
            )
            self.fields |= {
                f"count_{line.position}": spoken(count, words),
                f"place_{line.position}": spoken(place, words),
            }

    def rows(self) -> list[tuple[TransferLine, forms.BoundField, forms.BoundField]]:
        return [(line, self[f"count_{line.position}"], self[f"place_{line.position}"]) for line in self.lines]

    def clean(self) -> dict[str, Any]:
        keyed = super().clean() or self.cleaned_data
        if not self.errors and not any(keyed.get(f"count_{line.position}") for line in self.lines):
            self.add_error(None, "Say how many came of at least one line.")
        return keyed

    def field_of(self, pointer: str) -> str | None:
        name = pointer.replace("/arrived/", "count_").replace("/places/", "place_")
        return name if name in self.fields else super().field_of(pointer)

    def arrived(self) -> dict[int, int]:
        return {
            line.position: count
            for line in self.lines
            if (count := self.cleaned_data.get(f"count_{line.position}"))
        }

    def places(self) -> dict[int, Place]:
        return {
            line.position: self.bins[chosen]
            for line in self.lines
            if self.cleaned_data.get(f"count_{line.position}")
            and (chosen := self.cleaned_data.get(f"place_{line.position}"))
        }


class WhyForm(ActForm):
    """A reason, and the version of what it is about."""

    version = version_field()
    note = note_field("Why")


def _quantity(lot: Balance) -> str:
    return f"quantity_{lot.pk}"
