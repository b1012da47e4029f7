"""Forms of counting: which bins, what is in one, and what becomes of a difference."""

from typing import Any

from django import forms

from inventory.compute.lengths import from_nm
from inventory.models import Condition, Place
from inventory.selectors.counting import CountSheet, SheetLot, countable
from inventory.services.counting import MOST_PLACES, Found
from inventory.services.ledger import MOST_QUANTITY
from inventory.templatetags.shims import mm
from inventory.ui.fields import FamilyField, HowManyField, LengthField
from shop.models import Site
from shop.pages.forms import ActForm, spoken
from shop.pages.once import OnceForm

FIRST_EXTRA, MOST_EXTRA = 1, 40
CONDITIONS = [("", "Choose"), ("new", "New"), ("used", "Used, measured"), ("unmeasured", "Not measured")]


class OpenCountsForm(ActForm):
    """Which places are to be counted. Asked twice, a place keeps the count that it has."""

    places = forms.ModelMultipleChoiceField(
        queryset=Place.objects.none(), error_messages={"required": "Choose at least one bin."}
    )
    why = forms.CharField(
        label="Why", max_length=120, required=False, help_text="Where it is not their turn: what is amiss."
    )

    def __init__(self, *args: Any, site: Site, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["places"].queryset = countable(site)

    @property
    def chosen(self) -> set[str]:
        """The ids that are ticked, whether the form was sent or not."""
        return {str(value) for value in self["places"].value() or ()}

    def clean_places(self) -> list[Place]:
        places = list(self.cleaned_data["places"])
        if len(places) > MOST_PLACES:
            raise forms.ValidationError(f"Choose at most {MOST_PLACES} at a time; these are {len(places)}.")
        return places


def lot_name(lot: SheetLot) -> str:
    return f"lot_{lot.family.code}_{lot.thickness_nm}_{lot.condition}"


class KeyCountForm(OnceForm):
    """What somebody found in a bin: a figure for every lot of the sheet, and lines for what else is there.

    `extra`: how many such lines. What the books expect is nowhere in it.
    """

    def __init__(self, *args: Any, sheet: CountSheet, extra: int = FIRST_EXTRA, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.sheet = sheet
        self.extra = extra
        self.keyed: list[str] = []
        for lot in sheet.lots:
            words = f"of {mm(lot.thickness_nm)} mm {Condition(lot.condition).label.lower()}"
            self.fields[lot_name(lot)] = spoken(how_many(required=True), words)
        family = FamilyField(required=False)
        choices = list(family.choices)
        for number in range(extra):
            self._add_line(number, choices)

    def _add_line(self, number: int, families: list[Any]) -> None:
        place, line = self.sheet.place, f"of line {number + 1}"
        fields = {
            "thickness": LengthField(label="Thickness", required=False),
            "condition": forms.ChoiceField(label="Condition", required=False, choices=CONDITIONS),
            "quantity": how_many(required=False),
            # One query for the choices of every line.
            "family": forms.ChoiceField(
                label="Family",
                required=False,
                choices=families,
                initial=place.family.code if place.family else "",
            ),
        }
        self.fields |= {f"{name}_{number}": spoken(field, line) for name, field in fields.items()}

    def lots(self) -> list[tuple[SheetLot, forms.BoundField]]:
        return [(lot, self[lot_name(lot)]) for lot in self.sheet.lots]

    def lines(self) -> list[list[forms.BoundField]]:
        names = ("thickness", "condition", "quantity", "family")
        return [[self[f"{name}_{number}"] for name in names] for number in range(self.extra)]

    def clean(self) -> dict[str, Any]:
        keyed = super().clean() or self.cleaned_data
        self.keyed = [lot_name(lot) for lot in self.sheet.lots]
        for number in range(self.extra):
            thickness, quantity = keyed.get(f"thickness_{number}"), keyed.get(f"quantity_{number}")
            if thickness is None and quantity is None:
                continue
            self.keyed.append(f"thickness_{number}")
            needed = {
                "thickness": "Say how thick these are, for example 2.650 or 0.1043 in.",
                "condition": "Say whether these are new or used.",
                "quantity": "Say how many there are.",
                "family": "Say of which family these are.",
            }
            for name, words in needed.items():
                if keyed.get(f"{name}_{number}") in (None, "") and f"{name}_{number}" not in self.errors:
                    self.add_error(f"{name}_{number}", words)
        return keyed

    def field_of(self, pointer: str) -> str | None:
        """/found/3/quantity is the fourth figure that was keyed in, on the sheet or in a line of its own."""
        steps = pointer.split("/")
        if len(steps) < 3 or steps[1] != "found" or int(steps[2]) >= len(self.keyed):
            return None
        name = self.keyed[int(steps[2])]
        if name.startswith("lot_") or len(steps) == 3:
            return name
        return f"{steps[3]}_{name.rpartition('_')[2]}"

    def found(self) -> list[Found]:
        """What was keyed in, as the service takes it. Call on a valid form."""
        keyed, families = self.cleaned_data, FamilyField().queryset.in_bulk(field_name="code")
        lots = [
            Found(
                family=lot.family,
                thickness=from_nm(lot.thickness_nm),
                condition=lot.condition,
                quantity=keyed[lot_name(lot)],
            )
            for lot in self.sheet.lots
        ]
        numbers = [name.rpartition("_")[2] for name in self.keyed[len(lots) :]]
        return lots + [
            Found(
                family=families[keyed[f"family_{number}"]],
                thickness=keyed[f"thickness_{number}"],
                condition=keyed[f"condition_{number}"],
                quantity=keyed[f"quantity_{number}"],
            )
            for number in numbers
        ]


def how_many(*, required: bool) -> HowManyField:
    return HowManyField(
        label="How many",
        required=required,
        min_value=0,
        max_value=MOST_QUANTITY,
        error_messages={"required": "Key in how many there are, 0 where there is none."},
    )
