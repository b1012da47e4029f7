"""One job as a whole: open it, look at it, its sheet on paper, stop it."""

from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone

from inventory.selectors.holds import taken_from_job
from jobs.services.bays import take_into_bay
from jobs.services.opening import open_job
from jobs.services.stopping import stop_job
from jobs.ui.forms import OpenJobForm, StopForm, TakeInForm
from jobs.ui.pages import job_page, sheet_of
from jobs.ui.steps import next_step
from shop.errors import ShopError
from shop.models import Site
from shop.pages.answers import done
from shop.pages.forms import posted
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action


@page(see=Action.WORK_JOB, do=Action.WORK_JOB)
def open_page(request: PageRequest, site: Site, refusal: ShopError | None = None) -> HttpResponse:
    chosen = {"bay": request.GET.get("bay"), "vehicle": request.GET.get("vehicle")}
    form = OpenJobForm(posted(request), site=site, initial=chosen)
    if request.method == "POST" and refusal is None and form.is_valid():
        job = open_job(site=site, actor=request.actor, at=timezone.now(), **form.cleaned_data)
        return done(
            request, f"{job} is open, its tray is {job.tray}. Readings first.", "readings", site.code, job.pk
        )
    refusal = form.take(refusal)
    return render(
        request, "jobs/open.html", {"form": form, "refusal": refusal}, status=400 if form.errors else 200
    )


@page(see=Action.READ)
def overview_page(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    sheet = sheet_of(site, pk)
    return job_page(
        request,
        "jobs/job.html",
        sheet,
        step="job",
        taken_over=taken_from_job(pk),
        next_step=next_step(sheet.job, all_read=not sheet.to_read),
    )


@page(see=Action.READ)
def paper_page(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    return job_page(request, "jobs/paper.html", sheet_of(site, pk), step="paper")


@page(see=Action.WORK_JOB, do=Action.WORK_JOB)
def take_in_page(
    request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None
) -> HttpResponse:
    sheet = sheet_of(site, pk)
    form = TakeInForm(posted(request), site=site, initial={"version": sheet.job.version})
    if request.method == "POST" and refusal is None and form.is_valid():
        job = take_into_bay(job=sheet.job, actor=request.actor, at=timezone.now(), **form.cleaned_data)
        return done(request, f"{job} is in {job.bay or 'the yard'} now.", "job", site.code, pk)
    refusal = form.take(refusal)
    return job_page(
        request,
        "jobs/take_in.html",
        sheet,
        step="take_in",
        refusal=refusal,
        form=form,
        status=400 if form.errors else 200,
    )


@page(see=Action.STOP_JOB, do=Action.STOP_JOB)
def stop_page(request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None) -> HttpResponse:
    sheet = sheet_of(site, pk)
    form = StopForm(posted(request), initial={"version": sheet.job.version})
    if request.method == "POST" and refusal is None and form.is_valid():
        stop_job(job=sheet.job, actor=request.actor, at=timezone.now(), **form.cleaned_data)
        return done(request, f"{sheet.job} is stopped.", "job", site.code, pk)
    refusal = form.take(refusal)
    return job_page(
        request,
        "jobs/stop.html",
        sheet,
        step="stop",
        refusal=refusal,
        form=form,
        status=400 if form.errors else 200,
    )
