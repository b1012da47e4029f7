"""The form for what really went in, where that is not what the plan says."""

from dataclasses import dataclass
from typing import Any

from django import forms

from inventory.compute.lengths import Unit
from inventory.models import Condition
from inventory.selectors.stock import stock
from inventory.ui.fields import LengthField
from jobs.selectors.jobs import JobSheet, ValveSheet
from jobs.services.at_hand import TRAY
from jobs.services.fitting import ReallyFitted
from jobs.services.refusals import pointer
from shop.pages.forms import ActForm, spoken
from shop.pages.versions import version_field

_PARTS = ("thickness", "condition", "source", "reason")
_CONDITIONS = [
    (Condition.NEW, "New"),
    (Condition.USED, "Used, measured"),
    (Condition.UNMEASURED, "Out of an engine, by its marking"),
]


@dataclass(frozen=True, slots=True, kw_only=True)
class FittingRow:
    """One valve with its four fields; `keyed` when something stands in them, so that they are shown open."""

    valve: ValveSheet
    fields: dict[str, forms.BoundField]
    keyed: bool


class FittingForm(ActForm):
    """Empty fields mean: as planned. What differs needs all four: thickness, condition, source and why."""

    version = version_field()

    def __init__(self, *args: Any, sheet: JobSheet, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.sheet = sheet
        self.fields["version"].initial = sheet.job.version
        self.really: dict[str, ReallyFitted] = {}
        self.pointers = {}
        sources = _sources(sheet)
        for entry in sheet.valves:
            label = entry.valve.label
            self.fields |= {
                f"{part}-{label}": spoken(field, f"on {label}") for part, field in _fields(sources).items()
            }
            for part in _PARTS:
                self.pointers[pointer("really", label, part)] = f"{part}-{label}"
            self.pointers[pointer("really", label)] = f"thickness-{label}"

    def rows(self) -> list[FittingRow]:
        return [self._row(entry) for entry in self.sheet.valves]

    def _row(self, entry: ValveSheet) -> FittingRow:
        fields = {part: self[f"{part}-{entry.valve.label}"] for part in _PARTS}
        keyed = any(bound.errors or self.data.get(bound.html_name) for bound in fields.values())
        return FittingRow(valve=entry, fields=fields, keyed=keyed)

    def clean(self) -> dict[str, Any]:
        for entry in self.sheet.valves:
            label = entry.valve.label
            names = {part: f"{part}-{label}" for part in _PARTS}
            if not any(self.data.get(name, "").strip() for name in names.values()):
                continue
            missing = {
                "thickness": "Key in how thick it is.",
                "condition": "Say whether it is new or used.",
                "source": "Say where it came from.",
                "reason": "Say why it differs from the plan.",
            }
            for part, name in names.items():
                if not self.cleaned_data.get(name) and not self.errors.get(name):
                    self.add_error(name, missing[part])
            if not self.errors.keys() & set(names.values()):
                self.really[label] = ReallyFitted(
                    **{part: self.cleaned_data[name] for part, name in names.items()}
                )
        return self.cleaned_data


def _fields(sources: list[tuple[str, str]]) -> dict[str, forms.Field]:
    """The four fields of one valve."""
    return {
        "thickness": LengthField(label="Thickness in mm", required=False, unit=Unit.MM),
        "condition": forms.ChoiceField(
            label="Condition", required=False, choices=[("", "Choose"), *_CONDITIONS]
        ),
        "source": forms.ChoiceField(
            label="Where it came from",
            required=False,
            choices=sources,
            error_messages={
                "invalid_choice": "There is nothing of this family any more; choose another place."
            },
        ),
        "reason": forms.CharField(
            label="Why",
            required=False,
            max_length=400,
            widget=forms.TextInput(attrs={"autocomplete": "off"}),
        ),
    }


def _sources(sheet: JobSheet) -> list[tuple[str, str]]:
    """Where a shim can have come from: the tray, a valve of this engine, a bin with shims of the family."""
    job = sheet.job
    bins = dict.fromkeys(balance.place.code for balance in stock(job.site, family=job.family))
    return [
        ("", "Choose"),
        (TRAY, f"Tray {job.tray}"),
        *((f"valve:{entry.valve.label}", f"Out of {entry.valve.label}") for entry in sheet.valves),
        *((f"bin:{code}", f"Bin {code}") for code in sorted(bins)),
    ]
