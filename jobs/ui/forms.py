"""Forms for opening and closing a job, and for vehicles."""

from typing import Any

from django import forms

from inventory.compute.lengths import Unit
from jobs.models import EngineType, Vehicle
from jobs.selectors.jobs import free_bays
from shop.models import Bay, Site
from shop.pages.forms import ActForm
from shop.pages.versions import version_field

_UNITS = [
    (Unit.THOU, "thou (8 is 0.008 in)"),
    (Unit.IN, "in (0.008)"),
    (Unit.MM, "mm (0.20)"),
    (Unit.UM, "µm (200)"),
]


PRIORITIES = [
    (0, "As usual"),
    *((number, str(number)) for number in range(1, 9)),
    (9, "9, before all others"),
]


def promised_field() -> forms.DateTimeField:
    return forms.DateTimeField(
        label="Promised for",
        required=False,
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
    )


class VehicleForm(ActForm):
    registration = forms.CharField(max_length=20, widget=forms.TextInput(attrs={"autocomplete": "off"}))
    description = forms.CharField(
        label="What vehicle", max_length=120, help_text="As the shop calls it: make, model, colour."
    )
    engine_type = forms.ModelChoiceField(
        label="Engine type",
        queryset=EngineType.objects.none(),
        empty_label="In no list",
        required=False,
        help_text="In no list: its spec is keyed with each job.",
    )
    note = forms.CharField(max_length=400, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["engine_type"].queryset = EngineType.objects.select_related("family")


class OpenJobForm(ActForm):
    """Which engine comes into which bay."""

    vehicle = forms.ModelChoiceField(queryset=Vehicle.objects.none(), empty_label="Choose a vehicle")
    bay = forms.ModelChoiceField(
        queryset=Bay.objects.none(), empty_label="In the yard, no bay yet", required=False
    )
    unit = forms.ChoiceField(
        label="Unit of your leaves",
        choices=_UNITS,
        initial=Unit.THOU,
        help_text="What a figure without a unit means on this job's sheet.",
    )
    odometer = forms.CharField(
        label="Odometer",
        max_length=40,
        required=False,
        widget=forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "off"}),
    )
    promised_at = promised_field()
    priority = forms.TypedChoiceField(
        choices=PRIORITIES, coerce=int, empty_value=0, required=False, initial=0
    )
    note = forms.CharField(max_length=400, required=False)

    def __init__(self, *args: Any, site: Site, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["vehicle"].queryset = Vehicle.objects.filter(site=site).select_related("engine_type")
        # Only free ones are offered; one that was taken meanwhile the act refuses, and says by which job.
        self.fields["bay"].queryset = Bay.objects.filter(site=site) if self.is_bound else free_bays(site)


class CheckForm(ActForm):
    """For which engine to look ahead. The vehicle goes before the type."""

    vehicle = forms.ModelChoiceField(
        queryset=Vehicle.objects.none(), empty_label="A vehicle that was never here", required=False
    )
    engine_type = forms.ModelChoiceField(
        label="Engine type",
        queryset=EngineType.objects.none(),
        empty_label="As the vehicle’s",
        required=False,
        help_text="For a vehicle that was never here.",
    )

    def __init__(self, *args: Any, site: Site, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["vehicle"].queryset = Vehicle.objects.filter(site=site).select_related(
            "site", "engine_type__family"
        )
        self.fields["engine_type"].queryset = EngineType.objects.select_related("family")


class PromiseForm(ActForm):
    """How much a job matters, and when it is promised for."""

    version = version_field()
    priority = forms.TypedChoiceField(choices=PRIORITIES, coerce=int, empty_value=0)
    promised_at = promised_field()


class TakeInForm(ActForm):
    """Into which bay the engine is rolled."""

    version = version_field()
    bay = forms.ModelChoiceField(queryset=Bay.objects.none(), empty_label="The yard", required=False)

    def __init__(self, *args: Any, site: Site, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["bay"].queryset = free_bays(site)


class StopForm(ActForm):
    version = version_field()
    note = forms.CharField(label="Why is it stopped", max_length=380)


class SignOffForm(ActForm):
    version = version_field()
    reason = forms.CharField(
        label="Reason",
        max_length=400,
        required=False,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text="Needed where a valve stays out of spec, was not read or did not come out as predicted.",
    )
