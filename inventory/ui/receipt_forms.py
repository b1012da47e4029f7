"""Forms for taking in what was bought: what came as ordered, and what else was found of each line."""

import re
from collections.abc import Mapping, Sequence
from typing import Any
from uuid import UUID

from django import forms

from inventory.compute.lengths import Length, LengthError, Unit, parse_text
from inventory.compute.sampling import sample_size
from inventory.models import Place, PurchaseLine, PurchaseList, ReceiptLine, SupplierClaim
from inventory.selectors.putaway import BinFinder
from inventory.services.claims import SETTLED
from inventory.services.receipts import Found
from inventory.templatetags.shims import mm
from inventory.ui.asking import AskingForm
from inventory.ui.fields import BinField, HowManyField, LengthField, proposals_first
from inventory.ui.forms import note_field
from shop.pages.forms import ActForm, spoken
from shop.pages.once import OnceForm
from shop.pages.versions import version_field

# Field of the form -> field of `Found`.
FOUND = {
    "over": "over",
    "damaged": "damaged",
    "wrong": "wrong",
    "size": "wrong_nm",
    "short": "short",
    "measured": "measured",
    "price": "price",
}


class ReadingsField(forms.CharField):
    """Several lengths in one box: "2.651 2.649", in mm where no unit is named; units take semicolons."""

    def to_python(self, value: Any) -> tuple[Length, ...]:
        text = super().to_python(value) or ""
        parts = text.split(";") if re.search(r"[;a-zA-Z]", text) else text.split()
        try:
            return tuple(parse_text(part.strip(), Unit.MM) for part in parts if part.strip())
        except LengthError as error:
            raise forms.ValidationError(error.message) from error

    def run_validators(self, value: Any) -> None:
        if isinstance(value, str):
            super().run_validators(value)

    def widget_attrs(self, widget: forms.Widget) -> dict[str, Any]:
        return super().widget_attrs(widget) | {"autocomplete": "off", "maxlength": "400"}


class ReceivePurchaseForm(AskingForm):
    """How many of each line of a purchase list have come as ordered, into which bin they go, and what else
    was found; an empty number has not come."""

    version = version_field()
    document = forms.CharField(label="Delivery note", max_length=80, required=False)

    def __init__(
        self,
        *args: Any,
        purchase_list: PurchaseList,
        lines: Sequence[PurchaseLine],
        proposed: Mapping[tuple[UUID, int], Place],
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        # And what was keyed for a line of which all came meanwhile: nobody keys twice what a refusal lost.
        self.lines = [line for line in lines if line.received < line.quantity or self._keyed(line)]
        self.fields["version"].initial = purchase_list.version
        bin_field = BinField(required=False, empty_label="To receiving, put away later")
        bin_field.set_site(purchase_list.site)
        # One query for the choices of every line.
        choices = list(bin_field.choices) if self.lines else []
        self.places: dict[str, Place] = {str(place.pk): place for place in bin_field.queryset}
        finder = BinFinder(purchase_list.site) if self.lines else None
        for line in self.lines:
            self._add(line, purchase_list)
            belonging = finder.belonging(line.family, line.thickness_nm) if finder else []
            place = proposed.get((line.family_id, line.thickness_nm))
            # What has a bin goes into one, so that whoever waits for it has it at once.
            target = forms.ChoiceField(
                label="Into bin",
                required=False,
                choices=proposals_first(choices, belonging, empty=place is None),
                initial=str(place.pk) if place else "",
            )
            self.fields[f"bin_{line.pk}"] = spoken(target, f"of {mm(line.thickness_nm)} mm")

    def _keyed(self, line: PurchaseLine) -> bool:
        return any(self.data.get(name) for name in (str(line.pk), *(f"{box}_{line.pk}" for box in FOUND)))

    def _add(self, line: PurchaseLine, purchase_list: PurchaseList) -> None:
        of, left = f"of {mm(line.thickness_nm)} mm", line.quantity - line.received
        least = sample_size(left)
        currency = purchase_list.currency or line.currency
        boxes: dict[str, forms.Field] = {
            str(line.pk): HowManyField(label="How many came", required=False, initial=left),
            f"over_{line.pk}": HowManyField(label="Beyond the order", required=False),
            f"damaged_{line.pk}": HowManyField(label="Damaged", required=False),
            f"short_{line.pk}": HowManyField(label="On the note, not in the parcel", required=False),
            f"wrong_{line.pk}": HowManyField(label="Of a wrong size", required=False),
            f"size_{line.pk}": LengthField(label="Which size instead", required=False),
            f"measured_{line.pk}": ReadingsField(
                label="Micrometer readings", required=False, help_text=f"{least} of {left}, in mm"
            ),
            f"price_{line.pk}": forms.DecimalField(
                label=f"Really paid{' a pack' if line.pack > 1 else ' each'} {currency}".strip(),
                required=False,
                min_value=0,
                max_digits=12,
                decimal_places=4,
                widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
            ),
        }
        self.fields |= {name: spoken(field, of) for name, field in boxes.items()}

    def field_for(self, line: PurchaseLine) -> forms.BoundField | None:
        """The field of a line; None where all of it has come."""
        return self[str(line.pk)] if str(line.pk) in self.fields else None

    def bin_for(self, line: PurchaseLine) -> forms.BoundField | None:
        """The field for where a line goes; None where all of it has come."""
        return self[f"bin_{line.pk}"] if f"bin_{line.pk}" in self.fields else None

    def more_for(self, line: PurchaseLine) -> list[forms.BoundField]:
        """The fields for what else was found of a line; [] where all of it has come."""
        return [self[f"{name}_{line.pk}"] for name in FOUND if f"{name}_{line.pk}" in self.fields]

    def received(self) -> dict[UUID, int]:
        return {line.pk: count for line in self.lines if (count := self.cleaned_data.get(str(line.pk)))}

    def bins(self) -> dict[UUID, Place]:
        """The bin that was chosen for each line of which something came."""
        chosen = {pk: self.cleaned_data.get(f"bin_{pk}") for pk in self.received()}
        return {pk: self.places[place] for pk, place in chosen.items() if place}

    def found(self) -> dict[UUID, Found]:
        return {line.pk: self._found(line) for line in self.lines}

    def _found(self, line: PurchaseLine) -> Found:
        keyed = {to: self.cleaned_data.get(f"{name}_{line.pk}") for name, to in FOUND.items()}
        size = keyed.pop("wrong_nm")
        counts = {name: keyed[name] or 0 for name in ("over", "damaged", "wrong", "short")}
        return Found(
            **counts,
            wrong_nm=size.nm if size else None,
            measured=keyed["measured"] or (),
            price=keyed["price"],
        )

    def field_of(self, pointer: str) -> str | None:
        steps = pointer.split("/")
        if len(steps) == 4 and steps[1] == "found":
            name = next((box for box, field in FOUND.items() if field == steps[3]), "")
            return f"{name}_{steps[2]}" if f"{name}_{steps[2]}" in self.fields else None
        if len(steps) == 3 and steps[1] == "bins":
            return f"bin_{steps[2]}" if f"bin_{steps[2]}" in self.fields else None
        return super().field_of(pointer)

    def clean(self) -> dict[str, Any]:
        keyed = super().clean() or self.cleaned_data
        if not self.errors and not (
            self.received() or any(each.says_something for each in self.found().values())
        ):
            self.add_error(None, "Say how many of at least one size came.")
        return keyed


class OpenClaimForm(OnceForm):
    """What is claimed by hand of one line of a delivery. Where too many came, that is asked first."""

    kind = forms.ChoiceField(
        label="What is wrong", choices=SupplierClaim.Kind.choices, initial=SupplierClaim.Kind.DAMAGED
    )
    quantity = HowManyField(label="How many")
    reason = note_field("What you found")

    def __init__(self, *args: Any, row: ReceiptLine, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if row.over:
            self.fields["kind"].initial = SupplierClaim.Kind.OVER
            self.fields["quantity"].initial = row.over
            self.fields["reason"].initial = f"{row.over} more than ordered"


class SettleForm(ActForm):
    """What a supplier said to a claim."""

    version = version_field()
    state = forms.ChoiceField(
        label="The supplier",
        choices=[
            (state.value, words)
            for state, words in zip(SETTLED, ("credits it", "replaces the shims", "refuses it"), strict=True)
        ],
    )
    amount = forms.DecimalField(
        label="Credited",
        required=False,
        min_value=0,
        max_digits=12,
        decimal_places=4,
        error_messages={"invalid": "must be an amount with a point, 1.50 say"},
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
    )
    note = forms.CharField(label="Note", max_length=400, required=False)

    def __init__(self, *args: Any, claim: SupplierClaim, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["version"].initial = claim.version
        self.fields["amount"].label = f"Credited, {claim.currency}"
