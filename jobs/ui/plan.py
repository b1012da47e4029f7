"""The plan of a job: make it, look at it on the engine, hold its shims, give them free."""

from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.utils import timezone

from jobs.compute.alternatives import asked_for
from jobs.selectors.jobs import job_of
from jobs.services.planning import accept_plan, plan_job, release_plan
from jobs.ui.drawing import draw_plan
from jobs.ui.pages import job_page, sheet_of
from jobs.ui.ways import ways_context
from jobs.ui.words import score_words, to_buy_words
from shop.errors import FieldError, Invalid, ShopError
from shop.models import Site
from shop.pages.answers import done
from shop.pages.people import PageRequest
from shop.pages.versions import posted_version
from shop.pages.views import page
from shop.roles import Action

# The same engine for screens of three widths: how many cylinders side by side. The style sheet shows one.
WIDTHS = {"wide": 6, "middle": 3, "narrow": 2}


@page(see=Action.READ)
def plan_page(
    request: PageRequest,
    site: Site,
    pk: UUID,
    plan: UUID | None = None,
    refusal: ShopError | None = None,
) -> HttpResponse:
    """The plan at work, or the last one; `plan` is the one that a button was pressed for."""
    sheet = sheet_of(site, pk)
    lines = [valve.line for valve in sheet.valves if valve.line is not None]
    context = {}
    if sheet.plan is not None:
        context = {
            "score": score_words(sheet.plan, lines),
            "drawings": [draw_plan(sheet.valves, name=name, in_a_line=most) for name, most in WIDTHS.items()],
            "to_do": [valve for valve in sheet.valves if valve.line and valve.line.action != "keep"],
            "staying": [valve for valve in sheet.valves if not valve.line or valve.line.action == "keep"],
            "to_buy": to_buy_words(lines),
            "left_over": [line for line in lines if line.left_over],
            "to_measure": [line for line in lines if line.action == "measure"],
            "not_read_well": [
                valve for valve in sheet.valves if valve.reading and not valve.reading.passes_nm
            ],
        }
    context |= ways_context(sheet, lines, request.actor)
    return job_page(request, "jobs/plan.html", sheet, step="plan", refusal=refusal, **context)


@page(do=Action.PLAN, refused_on=plan_page)
def plan_button(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    asked = asked_for(request.POST.get("alternative", "usual"))
    if asked is None:
        raise Invalid(
            "There is no such way to plan. Choose one of those on this page.",
            errors=[FieldError("/alternative", "is not one of those that are offered")],
        )
    plan = plan_job(
        job=job_of(site, pk),
        actor=request.actor,
        at=timezone.now(),
        wish=asked.wish,
        version=posted_version(request.POST),
    )
    return done(request, f"Plan {plan.number} is made.", "plan", site.code, pk)


@page(do=Action.HOLD, refused_on=plan_page)
def hold_button(request: PageRequest, site: Site, pk: UUID, plan: UUID) -> HttpResponse:
    found = get_object_or_404(job_of(site, pk).plans.select_related("job__site"), pk=plan)
    held = accept_plan(
        plan=found, actor=request.actor, at=timezone.now(), version=posted_version(request.POST)
    )
    if held.bought:
        return done(
            request, "Held. What has to be bought is on the list of what to buy.", "plan", site.code, pk
        )
    return done(request, "The plan’s shims are held.", "fitting", site.code, pk)


@page(do=Action.HOLD, refused_on=plan_page)
def release_button(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    release_plan(
        job=job_of(site, pk),
        actor=request.actor,
        at=timezone.now(),
        version=posted_version(request.POST),
    )
    return done(request, "The plan is released; its shims are free for others.", "plan", site.code, pk)
