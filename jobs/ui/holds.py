"""Shims set aside by hand for a job or somebody else, and what a manager takes over for another."""

from typing import Any
from uuid import UUID

from django import forms
from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone

from inventory.models import Hold, Place
from inventory.services.hold_times import LONGEST
from inventory.services.holds import Wanted, hold_shims
from inventory.services.texts import counted
from inventory.templatetags.shims import mm
from inventory.ui.bins import bin_at
from inventory.ui.fields import HowManyField
from inventory.ui.forms import LotForm
from inventory.ui.hold_forms import HOUR, ReleaseForm
from inventory.ui.holds import act_on_hold, hold_of
from jobs.models import Job
from jobs.selectors.jobs import jobs_of
from jobs.services.ending_holds import release_hold, take_over_hold
from shop.errors import ShopError
from shop.models import Site
from shop.pages.answers import done
from shop.pages.forms import posted
from shop.pages.once import OnceForm, once, said
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action


class ForWhomForm(forms.Form):
    """A job of the shop, or somebody else."""

    job = forms.ModelChoiceField(
        label="For which job",
        queryset=Job.objects.none(),
        required=False,
        empty_label="For no job of the shop",
    )
    reference = forms.CharField(
        label="Or for what else", max_length=80, required=False, help_text="An order, a customer."
    )

    def clean(self) -> dict[str, Any]:
        keyed = super().clean() or self.cleaned_data
        if bool(keyed.get("job")) == bool(keyed.get("reference")):
            self.add_error("job", "Choose a job, or say what else they are for: one of the two.")
        return keyed


class HoldForm(ForWhomForm, LotForm):
    """So many shims of one lot of a bin, for whom, and for how long."""

    hours = HowManyField(
        label="Hours from now",
        max_value=LONGEST // HOUR,
        required=False,
        help_text="Empty: as long as usual.",
    )
    pointers = LotForm.pointers | {"/expires_in": "hours"}

    def __init__(self, *args: Any, place: Place, **kwargs: Any) -> None:
        super().__init__(*args, place=place, **kwargs)
        self.fields["job"].queryset = jobs_of(place.site, open_only=True)

    def wanted(self) -> list[Wanted]:
        """What was chosen, as the service takes it. Call on a valid form."""
        return [
            Wanted(
                place=self.place,
                family_id=shims.family.pk,
                thickness_nm=shims.thickness_nm,
                condition=shims.condition,
                quantity=shims.quantity,
            )
            for shims in self.shims()
        ]


class TakeOverForm(ForWhomForm, OnceForm):
    """For whom the shims are held from now on, which of them, and why."""

    positions = forms.MultipleChoiceField(label="Which shims", widget=forms.CheckboxSelectMultiple)
    reason = forms.CharField(
        label="Why", max_length=400, help_text="Whoever loses the shims reads this on the page of the job."
    )

    def __init__(self, *args: Any, site: Site, hold: Hold, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["job"].queryset = jobs_of(site, open_only=True).exclude(pk=hold.job_id)
        lines = list(hold.lines.all())
        self.fields["positions"].choices = [
            (line.position, f"{line.quantity} × {mm(line.thickness_nm)} mm from {line.taken_from.code}")
            for line in lines
        ]
        self.fields["positions"].initial = [line.position for line in lines]


@page(see=Action.HOLD, do=Action.HOLD)
def hold_by_hand_page(
    request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None
) -> HttpResponse:
    place = bin_at(site, pk)
    form = HoldForm(posted(request), place=place, initial={"job": request.GET.get("job")})
    if request.method == "POST" and refusal is None and form.is_valid():
        at, keyed = timezone.now(), form.cleaned_data
        job, hours = keyed["job"], keyed["hours"]
        with once(keyed["once"], at) as first:
            if first:
                hold_shims(
                    site=site,
                    actor=request.actor,
                    at=at,
                    lines=form.wanted(),
                    reference=keyed["reference"] or str(job),
                    job_id=job.pk if job else None,
                    expires_in=hours * HOUR if hours else None,
                )
        sentence = f"{counted(keyed['quantity'], 'shim')} held for {job or keyed['reference']}."
        return done(request, said(first, sentence), "bin", site.code, pk)
    context = {
        "place": place,
        "form": form,
        "title": "Hold shims",
        "verb": "Hold",
        "refusal": form.take(refusal),
    }
    return render(request, "inventory/act_on_place.html", context, status=400 if form.errors else 200)


@page(see=Action.TAKE_OVER_HOLD, do=Action.TAKE_OVER_HOLD)
def take_over_page(
    request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None
) -> HttpResponse:
    hold = hold_of(site, pk)
    form = TakeOverForm(posted(request), site=site, hold=hold)
    if request.method == "POST" and refusal is None and form.is_valid():
        at, keyed = timezone.now(), form.cleaned_data
        job = keyed["job"]
        positions = {int(position) for position in keyed["positions"]}
        with once(keyed["once"], at) as first:
            if first:
                take_over_hold(
                    hold=hold,
                    actor=request.actor,
                    at=at,
                    reference=keyed["reference"] or str(job),
                    reason=keyed["reason"],
                    job_id=job.pk if job else None,
                    positions=None if len(positions) == len(hold.lines.all()) else positions,
                )
        return done(request, f"Held for {job or keyed['reference']} now.", "hold", site.code, pk)
    title = "Take it over for another"
    return act_on_hold(request, hold, form, title, "Take over", form.take(refusal), danger=True)


@page(see=Action.HOLD, do=Action.HOLD)
def release_page(
    request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None
) -> HttpResponse:
    hold = hold_of(site, pk)
    form = ReleaseForm(posted(request))
    if request.method == "POST" and refusal is None and form.is_valid():
        at = timezone.now()
        with once(form.cleaned_data["once"], at) as first:
            if first:
                release_hold(hold=hold, actor=request.actor, at=at, note=form.cleaned_data["note"])
        return done(request, f"The shims are no longer held for {hold.reference}.", "holds", site.code)
    return act_on_hold(
        request, hold, form, "Give the shims free", "Give free", form.take(refusal), danger=True
    )
