"""Open a job on an engine that is in no list: family, spec and valves are keyed by hand."""

from typing import Any

from django import forms
from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone

from inventory.compute.lengths import Unit
from inventory.ui.fields import FamilyField, LengthField
from jobs.compute.layout import MAX_CYLINDERS, MAX_EXHAUST, MAX_INTAKE, EngineLayout, faults, positions
from jobs.services.engines import SideSpec
from jobs.services.keyed_engine import KeyedEngine, KeyedValve
from jobs.services.opening import open_job
from jobs.ui.forms import OpenJobForm
from shop.errors import ShopError
from shop.models import Site
from shop.pages.answers import done
from shop.pages.forms import posted
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action

LAYOUT = ("cylinders", "banks", "intake_per_cylinder", "exhaust_per_cylinder")
SIDES, ENDS = ("intake", "exhaust"), ("min", "max", "aim")
OPENING = ("vehicle", "bay", "unit", "odometer", "promised_at", "note")


def _count(label: str, most: int, least: int = 1, **options: Any) -> forms.IntegerField:
    return forms.IntegerField(
        label=label,
        min_value=least,
        max_value=most,
        widget=forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "off"}),
        **options,
    )


def _clearance(label: str, *, required: bool = True) -> LengthField:
    return LengthField(
        label=label,
        unit=Unit.THOU,
        required=required,
        help_text="" if required else "Left out: 60 % of the way from tight to loose.",
    )


class KeyedEngineForm(OpenJobForm):
    """The job, and what an engine type would say. A figure without a unit is in the job's unit."""

    family = FamilyField()
    spec_source = forms.CharField(
        label="Where the spec stands",
        max_length=200,
        help_text="Such as the service manual's page. The maker's manual decides.",
    )
    intake_min = _clearance("Intake, least")
    intake_max = _clearance("Intake, most")
    intake_aim = _clearance("Intake, aim", required=False)
    exhaust_min = _clearance("Exhaust, least")
    exhaust_max = _clearance("Exhaust, most")
    exhaust_aim = _clearance("Exhaust, aim", required=False)
    cylinders = _count("Cylinders", MAX_CYLINDERS)
    banks = _count("Banks", 2, initial=1, help_text="2 for a V or flat engine.")
    intake_per_cylinder = _count("Intake valves a cylinder", MAX_INTAKE)
    exhaust_per_cylinder = _count("Exhaust valves a cylinder", MAX_EXHAUST)
    pointers = {
        "/engine/spec_source": "spec_source",
        **{f"/engine/{side}/{end}": f"{side}_{end}" for side in SIDES for end in ENDS},
    }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        unit = self.data.get("unit") if self.is_bound else None
        for field in self.fields.values():
            if isinstance(field, LengthField) and unit in set(Unit):
                field.unit = Unit(unit)

    def clean(self) -> dict[str, Any]:
        layout = {name: self.cleaned_data[name] for name in LAYOUT if name in self.cleaned_data}
        if len(layout) == len(LAYOUT):
            for name, wrong in faults(**layout).items():
                self.add_error(name, wrong)
        return self.cleaned_data

    @property
    def engine(self) -> KeyedEngine:
        """What was keyed, once the form is valid."""
        keyed = self.cleaned_data
        layout = EngineLayout(**{name: keyed[name] for name in LAYOUT})
        return KeyedEngine(
            family=keyed["family"],
            spec_source=keyed["spec_source"],
            intake=SideSpec(**{end: keyed[f"intake_{end}"] for end in ENDS}),
            exhaust=SideSpec(**{end: keyed[f"exhaust_{end}"] for end in ENDS}),
            valves=[KeyedValve(label=place.label, side=place.side) for place in positions(layout)],
        )


@page(see=Action.WORK_JOB, do=Action.WORK_JOB)
def open_by_hand_page(request: PageRequest, site: Site, refusal: ShopError | None = None) -> HttpResponse:
    chosen = {"bay": request.GET.get("bay"), "vehicle": request.GET.get("vehicle")}
    form = KeyedEngineForm(posted(request), site=site, initial=chosen)
    if request.method == "POST" and refusal is None and form.is_valid():
        job = open_job(
            site=site,
            actor=request.actor,
            at=timezone.now(),
            engine=form.engine,
            **{name: form.cleaned_data[name] for name in OPENING},
        )
        return done(
            request, f"{job} is open, its tray is {job.tray}. Readings first.", "readings", site.code, job.pk
        )
    refusal = form.take(refusal)
    return render(
        request,
        "jobs/open_by_hand.html",
        {"form": form, "refusal": refusal},
        status=400 if form.errors else 200,
    )
