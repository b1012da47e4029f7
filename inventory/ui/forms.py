"""Forms of the acts on stock."""

from collections.abc import Sequence
from typing import Any

from django import forms

from inventory.models import Balance, Condition, Place, ShimFamily
from inventory.selectors.putaway import BinFinder, ProposedBin
from inventory.services.floor import Shims
from inventory.templatetags.shims import mm
from inventory.ui.asking import AskingForm
from inventory.ui.fields import BinField, FamilyField, HowManyField, LengthField, proposals_first
from shop.models import Site
from shop.pages.forms import spoken
from shop.pages.once import OnceForm

RECEIVE_LINES = 6


def note_field(label: str, **kwargs: Any) -> forms.CharField:
    return forms.CharField(label=label, max_length=400, **kwargs)


class LotField(forms.ModelChoiceField):
    """One lot of a place: so many equal shims."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("label", "Which shims")
        kwargs.setdefault("empty_label", None)
        super().__init__(queryset=Balance.objects.none(), **kwargs)

    def set_place(self, place: Place) -> None:
        self.queryset = (
            Balance.objects.filter(place=place, on_hand__gt=0)
            .select_related("family")
            .order_by("family__code", "thickness_nm", "condition")
        )

    def label_from_instance(self, lot: Balance) -> str:
        held = f", {lot.held} of them held" if lot.held else ""
        return f"{mm(lot.thickness_nm)} mm {lot.get_condition_display().lower()}, {lot.on_hand} here{held}"


class LotForm(AskingForm):
    """So many shims of one lot of a place."""

    lot = LotField()
    quantity = HowManyField(label="How many", initial=1)
    pointers = {"/lines/0": "quantity"}

    def __init__(self, *args: Any, place: Place, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["lot"].set_place(place)
        self.place = place

    def shims(self, target: Place | None = None) -> list[Shims]:
        """What was chosen, as the services take it. Call on a valid form."""
        lot: Balance = self.cleaned_data["lot"]
        return [
            Shims(
                family=lot.family,
                thickness_nm=lot.thickness_nm,
                condition=lot.condition,
                quantity=self.cleaned_data["quantity"],
                place=target,
            )
        ]


class MoveForm(LotForm):
    target = BinField(label="To which bin", empty_label="Choose a bin")
    note = note_field("Note", required=False)
    pointers = LotForm.pointers | {"/lines/0/bin": "target"}

    def __init__(self, *args: Any, place: Place, **kwargs: Any) -> None:
        super().__init__(*args, place=place, **kwargs)
        self.fields["target"].set_site(place.site)
        self.fields["target"].queryset = self.fields["target"].queryset.exclude(pk=place.pk)


class ScrapForm(LotForm):
    note = note_field("Why are they scrapped")


class CountInForm(AskingForm):
    """Shims found in a bin that no movement explains."""

    family = FamilyField()
    thickness = LengthField(label="Thickness", help_text="In mm unless you add another unit.")
    condition = forms.ChoiceField(
        label="Condition",
        choices=[(Condition.NEW, "New"), (Condition.USED, "Used, measured")],
        widget=forms.RadioSelect,
        initial=Condition.NEW,
    )
    quantity = HowManyField(label="How many")
    note = note_field("Why", help_text="For example: opening count.")

    def __init__(self, *args: Any, place: Place, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.place = place
        if place.family is not None:
            self.fields["family"].initial = place.family.code

    def shims(self) -> list[Shims]:
        keyed = self.cleaned_data
        return [
            Shims(
                family=keyed["family"],
                thickness_nm=keyed["thickness"].nm,
                condition=keyed["condition"],
                quantity=keyed["quantity"],
                place=self.place,
            )
        ]


class ReceiveForm(AskingForm):
    """A delivery of one family: up to six sizes, each into a bin or into receiving."""

    family = FamilyField()
    document = forms.CharField(
        label="Delivery note", max_length=80, required=False, help_text="Its number, if it has one."
    )

    def __init__(self, *args: Any, site: Site, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        family = (
            ShimFamily.objects.filter(code=self.data.get("family", "")).first() if self.is_bound else None
        )
        self.finder = BinFinder(site) if family is not None else None
        for number in range(RECEIVE_LINES):
            line = f"of line {number + 1}"
            place = BinField(label="Bin", required=False, empty_label="Put away later")
            place.set_site(site)
            self.fields |= {
                f"thickness_{number}": spoken(LengthField(label="Thickness in mm", required=False), line),
                f"quantity_{number}": spoken(HowManyField(label="How many", required=False), line),
                f"place_{number}": spoken(place, line),
            }
            if family is not None and (belonging := self._belonging(family, number)):
                place.choices = proposals_first(list(place.choices), belonging)
        self.lines: list[int] = []

    def propose(self) -> None:
        """Choose for every line that has no bin yet the one where its shims belong, as far as one has room
        for all of them. Call on a valid form."""
        self.data = self.data.copy()
        for number in self.lines:
            keyed, name = self.cleaned_data, f"place_{number}"
            if self.finder is None or keyed[name]:
                continue
            quantity = keyed[f"quantity_{number}"]
            found = self.finder.propose(keyed["family"], keyed[f"thickness_{number}"].nm, quantity)
            if found.first is not None and found.bins[0].quantity == quantity:
                self.data[name] = str(found.first.pk)

    def _belonging(self, family: ShimFamily, number: int) -> list[ProposedBin]:
        """Where what was keyed in this line belongs; [] where that is no thickness."""
        try:
            keyed = self.fields[f"thickness_{number}"].clean(self.data.get(f"thickness_{number}"))
        except forms.ValidationError:
            return []
        return self.finder.belonging(family, keyed.nm) if keyed and self.finder else []

    def rows(self) -> list[tuple[forms.BoundField, forms.BoundField, forms.BoundField]]:
        return [
            (self[f"thickness_{number}"], self[f"quantity_{number}"], self[f"place_{number}"])
            for number in range(RECEIVE_LINES)
        ]

    def clean(self) -> dict[str, Any]:
        keyed = super().clean() or self.cleaned_data
        for number in range(RECEIVE_LINES):
            thickness, quantity = keyed.get(f"thickness_{number}"), keyed.get(f"quantity_{number}")
            if thickness and quantity:
                self.lines.append(number)
            elif thickness and not self.errors.get(f"quantity_{number}"):
                self.add_error(f"quantity_{number}", "Say how many came of this thickness.")
            elif quantity and not self.errors.get(f"thickness_{number}"):
                self.add_error(f"thickness_{number}", "Say how thick these are, for example 2.650.")
        if not self.lines and not self.errors:
            self.add_error("thickness_0", "Key in at least one thickness and how many came.")
        return keyed

    def field_of(self, pointer: str) -> str | None:
        """/lines/1/bin is the second line that was filled in, wherever it stands in the form."""
        steps = pointer.split("/")
        if len(steps) == 4 and steps[1] == "lines" and int(steps[2]) < len(self.lines):
            name = {"bin": "place"}.get(steps[3], steps[3])
            return super().field_of(f"/{name}_{self.lines[int(steps[2])]}")
        return super().field_of(pointer)

    def shims(self) -> list[Shims]:
        keyed = self.cleaned_data
        return [
            Shims(
                family=keyed["family"],
                thickness_nm=keyed[f"thickness_{number}"].nm,
                condition=Condition.NEW,
                quantity=keyed[f"quantity_{number}"],
                place=keyed[f"place_{number}"],
            )
            for number in self.lines
        ]


class ReturnForm(LotForm):
    """From inspection back into a bin."""

    target = BinField(label="To which bin", empty_label="Choose a bin")
    pointers = LotForm.pointers | {"/lines/0/bin": "target"}

    def __init__(self, *args: Any, lot: Balance, **kwargs: Any) -> None:
        super().__init__(*args, place=lot.place, **kwargs)
        target = self.fields["target"]
        target.set_site(lot.place.site)
        belonging = BinFinder(lot.place.site).belonging(lot.family, lot.thickness_nm)
        target.choices = proposals_first(list(target.choices), belonging)


class PutAwayForm(AskingForm):
    """Every lot in receiving with how many of it go into which bin; an empty number leaves it there.

    As many are proposed as the proposed bin has room for, each lot reckoning with those before it; where no
    bin has room, all of them for the bin that they belong to (`nearest`).
    """

    def __init__(self, *args: Any, lots: Sequence[Balance], nearest: dict, site: Site, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.lots = lots
        finder = BinFinder(site)
        bin_field = BinField(required=False, empty_label="Choose a bin")
        bin_field.set_site(site)
        # One query for the choices of every row.
        choices = list(bin_field.choices)
        for lot in lots:
            belonging = finder.belonging(lot.family, lot.thickness_nm)
            room = next(iter(finder.propose(lot.family, lot.thickness_nm, lot.on_hand).bins), None)
            place = room.place if room else nearest.get((lot.family_id, lot.thickness_nm))
            words = f"of {mm(lot.thickness_nm)} mm"
            many = room.quantity if room else lot.on_hand
            count = HowManyField(label="How many", required=False, initial=many)
            target = forms.ChoiceField(
                label="Into bin",
                required=False,
                choices=proposals_first(choices, belonging),
                initial=str(place.pk) if place else "",
            )
            self.fields |= {
                f"quantity_{lot.pk}": spoken(count, words),
                f"place_{lot.pk}": spoken(target, words),
            }
        self.bins = {str(place.pk): place for place in bin_field.queryset}
        self.filled: list[Balance] = []

    def rows(self) -> list[tuple[Balance, forms.BoundField, forms.BoundField]]:
        return [(lot, self[f"quantity_{lot.pk}"], self[f"place_{lot.pk}"]) for lot in self.lots]

    def clean(self) -> dict[str, Any]:
        keyed = super().clean() or self.cleaned_data
        for lot in self.lots:
            if not keyed.get(f"quantity_{lot.pk}"):
                continue
            if keyed.get(f"place_{lot.pk}"):
                self.filled.append(lot)
            else:
                self.add_error(f"place_{lot.pk}", "Say into which bin.")
        if not self.filled and not self.errors:
            self.add_error(None, "Say how many of at least one lot are put away.")
        return keyed

    def field_of(self, pointer: str) -> str | None:
        steps = pointer.split("/")
        if len(steps) >= 3 and steps[1] == "lines" and int(steps[2]) < len(self.filled):
            name = "place" if steps[-1] == "bin" else "quantity"
            return super().field_of(f"/{name}_{self.filled[int(steps[2])].pk}")
        return super().field_of(pointer)

    def shims(self) -> list[Shims]:
        return [
            Shims(
                family=lot.family,
                thickness_nm=lot.thickness_nm,
                condition=lot.condition,
                quantity=self.cleaned_data[f"quantity_{lot.pk}"],
                place=self.bins[self.cleaned_data[f"place_{lot.pk}"]],
            )
            for lot in self.filled
        ]


class ReverseForm(OnceForm):
    note = note_field("Why is it undone")
