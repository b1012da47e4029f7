"""Forms for the care of bins; each carries the version of the bin that it was drawn for."""

from typing import Any

from django import forms

from inventory.compute.lengths import plausible_shim, show
from inventory.models import Place
from inventory.services.bins import MOST_POSITION
from inventory.ui.fields import BinField, FamilyField, HowManyField, LengthField
from inventory.ui.forms import note_field
from shop.pages.forms import ActForm
from shop.pages.once import OnceForm
from shop.pages.versions import version_field

SIZE_HINT = "In mm unless you add another unit."


class BinForm(ActForm):
    version = version_field()

    def __init__(self, *args: Any, place: Place, **kwargs: Any) -> None:
        kwargs["initial"] = {"version": place.version} | self.seen(place)
        super().__init__(*args, **kwargs)

    def seen(self, place: Place) -> dict[str, Any]:
        """What stands in the fields at first."""
        return {}

    def values(self) -> dict[str, Any]:
        """What was keyed in, as the service takes it. Call on a valid form."""
        return dict(self.cleaned_data)


class EditBinForm(BinForm):
    family = FamilyField(label="Kept for", required=False, empty_label="Any family")
    size = LengthField(label="And only for the size", required=False, help_text=SIZE_HINT)
    capacity = HowManyField(label="How many it takes", required=False)

    def seen(self, place: Place) -> dict[str, Any]:
        size = None if place.size_nm is None else show(place.size_nm)
        return {"family": place.family, "size": size, "capacity": place.capacity}

    def values(self) -> dict[str, Any]:
        keyed = super().values()
        size = keyed.pop("size")
        return keyed | {"size_nm": size.nm if size else None}


def position_fields() -> dict[str, forms.Field]:
    return {
        "cabinet": forms.CharField(label="Cabinet", max_length=20),
        "row": HowManyField(label="Row, from the top", max_value=MOST_POSITION),
        "column": HowManyField(label="Column, from the left", max_value=MOST_POSITION),
    }


class RelocateBinForm(BinForm):
    def __init__(self, *args: Any, place: Place, **kwargs: Any) -> None:
        super().__init__(*args, place=place, **kwargs)
        self.fields |= position_fields()

    def seen(self, place: Place) -> dict[str, Any]:
        return {"cabinet": place.cabinet, "row": place.row, "column": place.column}


class MergeBinForm(BinForm):
    target = BinField(label="Into which bin", empty_label="Choose a bin")
    widen = forms.BooleanField(
        label="That bin is from now on kept for all that comes together in it", required=False
    )
    note = note_field("Note", required=False)

    def __init__(self, *args: Any, place: Place, **kwargs: Any) -> None:
        super().__init__(*args, place=place, **kwargs)
        self.fields["target"].set_site(place.site)
        self.fields["target"].queryset = self.fields["target"].queryset.exclude(pk=place.pk)


class SplitBinForm(BinForm):
    family = FamilyField()
    size = LengthField(label="Which size goes to the new bin", help_text=SIZE_HINT)
    code = forms.CharField(label="The new bin’s code", max_length=20)
    capacity = HowManyField(label="How many it takes", required=False)
    note = note_field("Note", required=False)

    def __init__(self, *args: Any, place: Place, **kwargs: Any) -> None:
        super().__init__(*args, place=place, **kwargs)
        self.fields |= position_fields()

    def seen(self, place: Place) -> dict[str, Any]:
        return {"family": place.family, "cabinet": place.cabinet}

    def values(self) -> dict[str, Any]:
        keyed = super().values()
        return keyed | {"size_nm": keyed.pop("size").nm}


class AddBinForm(OnceForm):
    """A new bin of a site."""

    cabinet, row, column = position_fields().values()
    code = forms.CharField(label="The bin’s code", max_length=20, help_text="As its label will say.")
    family = FamilyField(label="Kept for", required=False, empty_label="Any family")
    size = LengthField(
        label="And only for the size", required=False, plausible=plausible_shim, help_text=SIZE_HINT
    )
    capacity = HowManyField(label="How many it takes", required=False)

    def values(self) -> dict[str, Any]:
        """What was keyed in, as the service takes it. Call on a valid form."""
        keyed = dict(self.cleaned_data)
        del keyed["once"]
        size = keyed.pop("size")
        return keyed | {"size_nm": size.nm if size else None}


class NoteForm(BinForm):
    note = note_field("Why", required=False)
