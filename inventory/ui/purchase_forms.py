"""Forms for buying; those for taking in what was bought are in receipt_forms.py."""

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any
from uuid import UUID

from django import forms

from inventory.models import PurchaseLine, Supplier
from inventory.selectors.purchases import ToBuy
from inventory.services.purchasing import Buy
from inventory.templatetags.shims import mm
from inventory.ui.fields import HowManyField
from shop.pages.forms import ActForm, spoken
from shop.pages.once import OnceForm


class BuyForm(OnceForm):
    """What is bought from one supplier in one go: `wanted` with how many of each."""

    supplier = forms.ModelChoiceField(
        label="Bought from", queryset=Supplier.objects.all(), empty_label="Choose a supplier"
    )

    def __init__(self, *args: Any, wanted: Sequence[ToBuy], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.wanted = wanted
        self.filled: list[ToBuy] = []
        for item in wanted:
            self.fields[quantity_name(item)] = spoken(
                HowManyField(label="How many", required=False, initial=item.quantity),
                f"of {item.family.code} {mm(item.thickness_nm)} mm",
            )

    def rows(self) -> list[tuple[ToBuy, forms.BoundField]]:
        return [(item, self[quantity_name(item)]) for item in self.wanted]

    def clean(self) -> dict[str, Any]:
        keyed = super().clean() or self.cleaned_data
        self.filled = [item for item in self.wanted if keyed.get(quantity_name(item))]
        if not self.filled and not self.errors:
            self.add_error(None, "Say how many of at least one size were bought.")
        return keyed

    def field_of(self, pointer: str) -> str | None:
        steps = pointer.split("/")
        if len(steps) == 4 and steps[1] == "lines" and int(steps[2]) < len(self.filled):
            return quantity_name(self.filled[int(steps[2])])
        return super().field_of(pointer)

    def buys(self) -> list[Buy]:
        return [
            Buy(
                family=item.family,
                thickness_nm=item.thickness_nm,
                quantity=self.cleaned_data[quantity_name(item)],
            )
            for item in self.filled
        ]


def quantity_name(item: ToBuy) -> str:
    return f"quantity_{item.family.code}_{item.thickness_nm}"


def by_cheapest(wanted: Sequence[ToBuy]) -> Iterator[tuple[Supplier | None, list[ToBuy]]]:
    """What to buy under the supplier who sells it cheapest; what nobody offers last, under None."""

    def cheapest(item: ToBuy) -> str:
        return item.offers[0].supplier.code if item.offers else ""

    for _code, group in groupby(sorted(wanted, key=lambda item: (not item.offers, cheapest(item))), cheapest):
        items = list(group)
        yield (items[0].offers[0].supplier if items[0].offers else None), items


class DraftForm(ActForm):
    """Packs of each line of a draft, and which lines stay when the choice is made again."""

    def __init__(self, *args: Any, lines: list[PurchaseLine], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.lines = lines
        for line in lines:
            of = f"of {mm(line.thickness_nm)} mm"
            self.fields[f"packs_{line.pk}"] = spoken(
                HowManyField(label="Packs" if line.pack > 1 else "How many", min_value=0, initial=line.packs),
                of,
            )
            self.fields[f"locked_{line.pk}"] = spoken(
                forms.BooleanField(label="Keep it so", required=False, initial=line.locked), of
            )

    def packs(self) -> dict[UUID, int]:
        return {line.pk: self.cleaned_data[f"packs_{line.pk}"] for line in self.lines}

    def locked(self) -> dict[UUID, bool]:
        return {line.pk: self.cleaned_data[f"locked_{line.pk}"] for line in self.lines}

    def rows(self) -> list[tuple[PurchaseLine, forms.BoundField, forms.BoundField]]:
        return [(line, self[f"packs_{line.pk}"], self[f"locked_{line.pk}"]) for line in self.lines]
