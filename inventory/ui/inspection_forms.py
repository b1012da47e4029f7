"""The form of an inspection: face, marking, and up to three readings in either unit."""

from typing import Any

from django import forms

from inventory.compute.inspection import MOST_READINGS
from inventory.compute.lengths import Length, Unit
from inventory.models import Inspection
from inventory.ui.fields import LengthField
from shop.pages.once import OnceForm

_LABELS = ("Micrometer reading", "Second reading", "Third reading")
_UNITS = {Unit.MM.value: "Millimetres", Unit.IN.value: "Inches"}


class InspectForm(OnceForm):
    """What the eye and the micrometer say of one recovered shim."""

    face = forms.ChoiceField(
        label="Face", choices=Inspection.Face.choices, widget=forms.RadioSelect, initial=Inspection.Face.GOOD
    )
    marking_legible = forms.BooleanField(label="The marking can be read", required=False)
    unit = forms.ChoiceField(
        label="Readings are in",
        choices=list(_UNITS.items()),
        widget=forms.RadioSelect,
        initial=Unit.MM.value,
        required=False,
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        chosen = self.data.get("unit") if self.is_bound else None
        unit = Unit(chosen) if chosen in _UNITS else Unit.MM
        for number, label in enumerate(_LABELS[:MOST_READINGS]):
            self.fields[f"reading_{number}"] = LengthField(label=label, unit=unit, required=False)
        self.fields["reading_0"].help_text = "None is needed of a pitted face."
        self.fields["reading_1"].help_text = "Wipe it and measure once more where you are in doubt."

    def readings(self) -> list[Length]:
        """The readings that were keyed in, in their order. Call on a valid form."""
        return [self.cleaned_data[f"reading_{number}"] for number in self._filled()]

    def field_of(self, pointer: str) -> str | None:
        """/readings/1 is the second that was filled in; one that is asked for, the first empty field."""
        steps = pointer.split("/")
        if steps[1:2] != ["readings"]:
            return super().field_of(pointer)
        filled = self._filled()
        index = int(steps[2]) if len(steps) > 2 else 0
        if index < len(filled):
            return f"reading_{filled[index]}"
        free = [number for number in range(MOST_READINGS) if number not in filled]
        return f"reading_{free[0]}" if free else "reading_0"

    def _filled(self) -> list[int]:
        return [number for number in range(MOST_READINGS) if self.cleaned_data.get(f"reading_{number}")]
