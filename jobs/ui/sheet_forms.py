"""The sheets of a job: a field or two per valve, and which of them somebody changed.

A sheet may be sent whole, or one valve at a time as it is keyed. Either way only what differs from what the
page showed is taken, so that two people can key in different valves of one engine; where both keyed the same
valve the second is told what the first one keyed, and both figures stay in sight. What the page showed is the
hidden `was` beside each valve.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django import forms

from inventory.compute.lengths import (
    Length,
    LengthError,
    Unit,
    from_keyed,
    next_leaf,
    parse,
    parse_text,
    show,
)
from inventory.compute.markings import MarkingRule, thickness_of_marking
from inventory.ui.fields import LengthField
from jobs.compute.readings import thinner_than_a_leaf
from jobs.models import ClearanceReading, JobValve
from jobs.selectors.jobs import JobSheet, ValveSheet
from jobs.services.readings import FeelerInput, ShimInput
from jobs.services.refusals import pointer
from shop.pages.forms import ActForm

GONE = "What was keyed in is not taken away again; key in what was measured."


def figure(keyed: str, unit: str) -> str:
    """What was keyed, as its field shows it: without the unit that stands beside the field."""
    value, _, keyed_unit = keyed.partition(" ")
    return value if keyed_unit == unit else keyed


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyedCell:
    """One valve of a sheet as it is drawn: its fields by name, what the page showed of it, its errors."""

    valve: ValveSheet
    fields: dict[str, forms.BoundField]
    was: str

    @property
    def keyed(self) -> bool:
        """Whether something stands in the cell that was not kept: it must stay in sight."""
        return any(bound.form.is_bound and bound.data for bound in self.fields.values()) or bool(self.errors)

    @property
    def errors(self) -> list[tuple[str, str]]:
        """(id of the field, sentence) for everything that is wrong with the cell."""
        return [(bound.id_for_label, error) for bound in self.fields.values() for error in bound.errors]


class ReadingsForm(ActForm):
    """The feeler reading of every valve, in the job's unit or in the unit that is keyed with the figure.

    `only`: the one valve whose field sent itself; what else came along with it is not looked at.
    """

    def __init__(self, *args: Any, sheet: JobSheet, only: ValveSheet | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.sheet = sheet
        self.sent = sheet.valves if only is None else (only,)
        unit = Unit(sheet.job.unit)
        self.pointers = {}
        for valve in self.sent:
            label, reading = valve.valve.label, valve.reading
            self.fields[f"passes-{label}"] = LengthField(unit=unit, required=False, label=f"{label} passes")
            self.fields[f"stops-{label}"] = LengthField(unit=unit, required=False, label=f"{label} stops")
            self.initial[f"passes-{label}"] = shown_passes(reading, unit)
            self.initial[f"stops-{label}"] = shown_stops(reading, unit)
            for name in ("passes", "stops"):
                self.pointers[pointer("readings", label, name)] = f"{name}-{label}"
        self.changed: dict[str, FeelerInput] = {}

    def cell(self, valve: ValveSheet) -> KeyedCell:
        label = valve.valve.label
        return KeyedCell(
            valve=valve,
            fields={name: self[f"{name}-{label}"] for name in ("passes", "stops")},
            was=str(valve.reading.sequence if valve.reading else 0),
        )

    def clean(self) -> dict[str, Any]:
        for valve in self.sent:
            if f"was-{valve.valve.label}" in self.data:
                self._clean_valve(valve)
        return self.cleaned_data

    def _clean_valve(self, valve: ValveSheet) -> None:
        label, unit = valve.valve.label, Unit(self.sheet.job.unit)
        names = (f"passes-{label}", f"stops-{label}")
        shown = _reading_shown(valve, self.data[f"was-{label}"])
        keyed = tuple(self.data.get(name, "").strip() for name in names)
        # As the page showed it, or as it was kept meanwhile by the field's own sending.
        known = {(shown_passes(each, unit), shown_stops(each, unit)) for each in (shown, valve.reading)}
        if keyed in known or self.errors.keys() & set(names):
            return
        passes, stops = (self.cleaned_data[name] for name in names)
        in_another_unit = {
            name: doubt
            for name, length, text in zip(names, (passes, stops), keyed, strict=True)
            if length is not None and (doubt := thinner_than_a_leaf(length, text))
        }
        if in_another_unit:
            for name, doubt in in_another_unit.items():
                self.add_error(name, doubt)
        elif passes is None:
            self.add_error(names[0], GONE if shown else "Key in the leaf that passes as well.")
        elif shown != valve.reading and valve.reading is not None:
            self.add_error(
                names[0],
                f"{valve.reading.by} keyed in {valve.reading.passes_keyed} here meanwhile. "
                "Send yours again if it is the right one.",
            )
        else:
            self.changed[label] = FeelerInput(passes=passes, stops=stops)


class ShimsForm(ActForm):
    """The shim found in every valve, by micrometer or by its marking, and whether the valve may be opened.

    `only` as in ReadingsForm.
    """

    def __init__(self, *args: Any, sheet: JobSheet, only: ValveSheet | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.sheet = sheet
        self.sent = sheet.valves if only is None else (only,)
        self.pointers = {}
        for entry in self.sent:
            valve, label = entry.valve, entry.valve.label
            self.fields[f"thickness-{label}"] = forms.CharField(
                required=False,
                max_length=40,
                label=f"Shim of {label}",
                widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
            )
            self.fields[f"by-{label}"] = forms.ChoiceField(
                choices=JobValve.KnownBy.choices, required=False, label=f"Shim of {label} known by"
            )
            self.fields[f"adjust-{label}"] = forms.ChoiceField(
                choices=JobValve.Adjust.choices, required=False, label=f"Open {label}"
            )
            self.initial[f"thickness-{label}"] = shown_shim(valve.shim_keyed)
            self.initial[f"by-{label}"] = valve.shim_known_by or JobValve.KnownBy.MEASURED
            self.initial[f"adjust-{label}"] = valve.adjust
            self.pointers[pointer("shims", label, "thickness")] = f"thickness-{label}"
            self.pointers[pointer("shims", label, "known_by")] = f"by-{label}"
            self.pointers[pointer("adjust", label)] = f"adjust-{label}"
        self.changed: dict[str, ShimInput] = {}
        self.adjust: dict[str, str] = {}

    def cell(self, entry: ValveSheet) -> KeyedCell:
        label = entry.valve.label
        return KeyedCell(
            valve=entry,
            fields={name: self[f"{name}-{label}"] for name in ("thickness", "by", "adjust")},
            was=_was_shim(entry.valve),
        )

    def clean(self) -> dict[str, Any]:
        for entry in self.sent:
            if f"was-{entry.valve.label}" in self.data:
                self._clean_valve(entry.valve)
        return self.cleaned_data

    def _clean_valve(self, valve: JobValve) -> None:
        label = valve.label
        was_keyed, was_by, was_adjust = [*self.data[f"was-{label}"].split("|"), "", ""][:3]
        keyed, by, adjust = (
            self.cleaned_data.get(f"{name}-{label}") or "" for name in ("thickness", "by", "adjust")
        )
        if adjust and adjust != was_adjust:
            self.adjust[label] = adjust
        known = {(shown_shim(was_keyed), was_by), (shown_shim(valve.shim_keyed), valve.shim_known_by)}
        if (keyed, by) in known or (not keyed and not was_keyed):
            return
        name = f"thickness-{label}"
        if not keyed:
            self.add_error(name, GONE)
        elif was_keyed != valve.shim_keyed or was_by != valve.shim_known_by:
            self.add_error(
                name,
                f"Somebody keyed in {valve.shim_keyed} here meanwhile. "
                "Send yours again if it is the right one.",
            )
        else:
            self._take(valve, keyed, by or JobValve.KnownBy.MEASURED)

    def _take(self, valve: JobValve, keyed: str, by: str) -> None:
        try:
            thickness = self._marked(keyed) if by == JobValve.KnownBy.MARKED else parse_text(keyed, Unit.MM)
        except LengthError as error:
            self.add_error(f"thickness-{valve.label}", error.message)
        else:
            self.changed[valve.label] = ShimInput(thickness=thickness, known_by=by)

    def _marked(self, keyed: str) -> Length:
        """What is stamped, 2650 or 265; a thickness in full, 2.650 mm, is taken as well."""
        family = self.sheet.job.family
        if "." in keyed or any(character.isalpha() for character in keyed):
            return parse_text(keyed, Unit.MM)
        return parse(show(thickness_of_marking(MarkingRule(family.marking), keyed, family.range)), Unit.MM)


def shown_passes(reading: ClearanceReading | None, unit: str) -> str:
    return figure(reading.passes_keyed, unit) if reading else ""


def shown_stops(reading: ClearanceReading | None, unit: str) -> str:
    """The leaf that stops if somebody keyed one; "" where the next leaf was meant."""
    return figure(reading.stops_keyed, unit) if reading and reading.stops_given else ""


def shown_shim(keyed: str) -> str:
    return figure(keyed, Unit.MM)


def next_leaf_shown(reading: ClearanceReading | None, unit: str) -> str:
    """What an empty field for the leaf that stops means, in grey."""
    if reading is None:
        return ""
    return figure(next_leaf(from_keyed(reading.passes_nm, reading.passes_keyed)).keyed, unit)


def labels_of(cells: Iterable[KeyedCell]) -> list[str]:
    return [cell.valve.valve.label for cell in cells]


def _reading_shown(valve: ValveSheet, was: str) -> ClearanceReading | None:
    """The reading that the page showed, by its number; None where it showed none."""
    return next((reading for reading in valve.readings if str(reading.sequence) == was), None)


def _was_shim(valve: JobValve) -> str:
    return f"{valve.shim_keyed}|{valve.shim_known_by}|{valve.adjust}"
