"""Fields for what is keyed in about shims: lengths with their unit, families, bins, how many."""

from collections.abc import Callable, Sequence
from typing import Any

from django import forms

from inventory.compute.lengths import Length, LengthError, Unit, parse_text, show
from inventory.models import Place, ShimFamily
from inventory.selectors.places import bins
from inventory.selectors.putaway import ProposedBin
from shop.models import Site

MOST_KEYED = 40  # characters: a figure, a space and the longest spelling of a unit


class LengthField(forms.CharField):
    """A length as text: "8", "0.008 in", "2.65mm". Without a unit the one beside the field is meant.
    `plausible`: the check of lengths.py that it must pass besides.

    Gives a Length. What was keyed in stays in the field as it was, whatever is wrong with it.
    """

    def __init__(
        self, *, unit: Unit = Unit.MM, plausible: Callable[[Length], Length] | None = None, **kwargs: Any
    ) -> None:
        self.unit = unit
        self.plausible = plausible
        kwargs.setdefault("max_length", MOST_KEYED)
        super().__init__(**kwargs)

    def to_python(self, value: Any) -> Length | None:
        text = super().to_python(value)
        if not text:
            return None
        try:
            length = parse_text(text, self.unit)
            return self.plausible(length) if self.plausible else length
        except LengthError as error:
            raise forms.ValidationError(error.message) from error

    def prepare_value(self, value: Any) -> Any:
        return value.keyed if isinstance(value, Length) else value

    def run_validators(self, value: Any) -> None:
        if isinstance(value, Length):
            return  # the length of the text was bounded by the column that keeps it
        super().run_validators(value)

    def widget_attrs(self, widget: forms.Widget) -> dict[str, Any]:
        return super().widget_attrs(widget) | {"inputmode": "decimal", "autocomplete": "off"}


class HowManyField(forms.IntegerField):
    """A whole number of shims, 1 or more."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("min_value", 1)
        kwargs.setdefault("max_value", 100_000)
        # Not a number box: those change under a thumb that scrolls.
        kwargs.setdefault("widget", forms.TextInput)
        super().__init__(**kwargs)

    def widget_attrs(self, widget: forms.Widget) -> dict[str, Any]:
        return super().widget_attrs(widget) | {"inputmode": "numeric", "autocomplete": "off"}


class FamilyField(forms.ModelChoiceField):
    """A shim family, by its code."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("label", "Shim family")
        kwargs.setdefault("empty_label", "Choose a family")
        super().__init__(queryset=ShimFamily.objects.all(), to_field_name="code", **kwargs)


class BinField(forms.ModelChoiceField):
    """A bin in use at a site; the form says which site by `set_site`."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("label", "Bin")
        super().__init__(queryset=Place.objects.none(), **kwargs)

    def set_site(self, site: Site) -> None:
        self.queryset = bins(site)

    def label_from_instance(self, place: Place) -> str:
        return bin_words(place)


Choices = list[tuple[str, Any]]
OTHERS = "Other bins"


def proposals_first(choices: Choices, proposed: Sequence[ProposedBin], *, empty: bool = True) -> Choices:
    """The choices of a BinField with the proposed bins in a group before all others, each with the reason.

    `empty`: whether none may be chosen as well.
    """
    none = [choice for choice in choices if not choice[0]] if empty else []
    first = [(str(each.place.pk), f"{each.place.code}: {each.why}") for each in proposed]
    keys = {key for key, _ in first}
    others = [(str(key), words) for key, words in choices if key and str(key) not in keys]
    if not first:
        return [*none, *others]
    return [*none, ("Proposed", first), *([(OTHERS, others)] if others else [])]


def bin_words(place: Place) -> str:
    """A bin as a person looks for it: B07, with what it is kept for."""
    if place.family is None:
        return place.code
    if place.size_nm is None:
        return f"{place.code} · {place.family.code}"
    return f"{place.code} · {place.family.code} {show(place.size_nm)}"
