"""One job as a whole: open it, look at it, its sheet on paper, stop it."""

from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone

from inventory.selectors.holds import taken_from_job
from jobs.selectors.jobs import job_of
from jobs.services.bays import take_into_bay
from jobs.services.handing_over import hand_over, hand_over_of, where
from jobs.services.opening import open_job
from jobs.services.promising import set_promise
from jobs.services.stopping import stop_job
from jobs.ui.forms import OpenJobForm, PromiseForm, StopForm, TakeInForm
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
def overview_page(
    request: PageRequest, site: Site, pk: UUID, row: UUID | None = None, refusal: ShopError | None = None
) -> HttpResponse:
    """One job; `row` is the hand-over that a button was pressed for."""
    sheet = sheet_of(site, pk)
    return job_page(
        request,
        "jobs/job.html",
        sheet,
        step="job",
        taken_over=taken_from_job(pk),
        refusal=refusal,
        status=refusal.status if refusal else 200,
        next_step=next_step(sheet.job, all_read=not sheet.to_read),
    )


@page(do=Action.HAND_OUT, refused_on=overview_page)
def hand_over_button(request: PageRequest, site: Site, pk: UUID, row: UUID) -> HttpResponse:
    carried = hand_over(hand_over=hand_over_of(job_of(site, pk), row), actor=request.actor, at=timezone.now())
    words = f"The shim is in the tray of {where(carried.to_job)}, held for {carried.to_label}."
    return done(request, words, "job", site.code, pk)


@page(see=Action.WORK_JOB, do=Action.WORK_JOB)
def promise_page(
    request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None
) -> HttpResponse:
    sheet = sheet_of(site, pk)
    now = {
        "version": sheet.job.version,
        "priority": sheet.job.priority,
        "promised_at": sheet.job.promised_at,
    }
    form = PromiseForm(posted(request), initial=now)
    if request.method == "POST" and refusal is None and form.is_valid():
        set_promise(job=sheet.job, actor=request.actor, at=timezone.now(), **form.cleaned_data)
        return done(request, "The promise is changed.", "job", site.code, pk)
    refusal = form.take(refusal)
    return job_page(
        request,
        "jobs/promise.html",
        sheet,
        step="promise",
        refusal=refusal,
        form=form,
        status=400 if form.errors else 200,
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
