"""Fitting: the tray, what goes where, and what really went in."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.utils import timezone

from inventory.selectors.stock import loose_in
from jobs.selectors.jobs import JobSheet, job_of
from jobs.selectors.look_back import look_back_on
from jobs.services.fitting import fit_job
from jobs.services.handing_out import hand_out_job
from jobs.ui.fitting_form import FittingForm
from jobs.ui.pages import job_page, sheet_of
from jobs.ui.words import CHANGES
from shop.errors import ShopError
from shop.models import Site
from shop.pages.answers import done
from shop.pages.forms import posted
from shop.pages.people import PageRequest
from shop.pages.versions import posted_version
from shop.pages.views import page
from shop.roles import Action


@page(see=Action.READ)
def fitting_page(
    request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None
) -> HttpResponse:
    sheet = sheet_of(site, pk)
    return job_page(
        request,
        "jobs/fitting.html",
        sheet,
        step="fitting",
        refusal=refusal,
        **_to_fit(sheet, FittingForm(sheet=sheet)),
    )


@page(do=Action.HAND_OUT, refused_on=fitting_page)
def hand_out_button(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    job = hand_out_job(
        job=job_of(site, pk),
        actor=request.actor,
        at=timezone.now(),
        version=posted_version(request.POST),
    )
    return done(request, f"The shims are in tray {job.tray}.", "fitting", site.code, pk)


@page(see=Action.WORK_JOB, do=Action.WORK_JOB)
def fit_page(request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None) -> HttpResponse:
    sheet = sheet_of(site, pk)
    form = FittingForm(posted(request), sheet=sheet)
    if request.method == "POST" and refusal is None and form.is_valid():
        fit_job(
            job=sheet.job,
            actor=request.actor,
            at=timezone.now(),
            really=form.really,
            version=form.cleaned_data["version"],
        )
        return done(
            request,
            "Fitted. Turn the engine two full turns by hand, then measure again.",
            "readings",
            site.code,
            pk,
        )
    refusal = form.take(refusal)
    return job_page(
        request,
        "jobs/fitting.html",
        sheet,
        step="fitting",
        refusal=refusal,
        status=400 if form.errors else 200,
        **_to_fit(sheet, form),
    )


def _to_fit(sheet: JobSheet, form: FittingForm) -> dict[str, Any]:
    """The valves that the plan changes, in the order of the engine, and the others; what lies in the tray."""
    rows = form.rows()
    told = look_back_on(sheet)
    changed = [row for row in rows if row.valve.line is not None and row.valve.line.action in CHANGES]
    others = [row for row in rows if row not in changed]
    loose = loose_in(sheet.job.tray, sheet.job.family) if sheet.job.round and sheet.job.is_open else []
    free = [(lot, lot.on_hand - lot.held) for lot in loose]
    return {"form": form, "changed": changed, "others": others, "told": told, "loose": free}
