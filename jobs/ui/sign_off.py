"""Signing off: everything on one page to be looked over, then by name."""

from uuid import UUID

from django.http import HttpResponse
from django.utils import timezone

from jobs.selectors.jobs import ValveSheet
from jobs.selectors.look_back import look_back_on
from jobs.services.sign_off import sign_off_job
from jobs.ui.forms import SignOffForm
from jobs.ui.pages import job_page, sheet_of
from shop.errors import ShopError
from shop.models import Site
from shop.pages.answers import done
from shop.pages.forms import posted
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action


@page(see=Action.READ, do=Action.WORK_JOB)
def sign_off_page(
    request: PageRequest, site: Site, pk: UUID, refusal: ShopError | None = None
) -> HttpResponse:
    sheet = sheet_of(site, pk)
    form = SignOffForm(posted(request), initial={"version": sheet.job.version})
    if request.method == "POST" and refusal is None and form.is_valid():
        sign_off_job(job=sheet.job, actor=request.actor, at=timezone.now(), **form.cleaned_data)
        return done(
            request,
            f"{sheet.job} is signed off. What came out of the engine is at inspection.",
            "job",
            site.code,
            pk,
        )
    refusal = form.take(refusal)
    unread = [valve for valve in sheet.valves if valve.reading is None]
    out = [valve for valve in sheet.valves if valve.verdict in ("tight", "loose")]
    told = look_back_on(sheet)
    outcomes = {outcome.label: outcome for outcome in told.outcomes}
    rows = [(valve, outcomes.get(valve.valve.label)) for valve in sheet.valves]
    return job_page(
        request,
        "jobs/sign_off.html",
        sheet,
        step="sign_off",
        refusal=refusal,
        status=400 if form.errors else 200,
        form=form,
        unread=unread,
        out=out,
        told=told,
        touched=[row for row in rows if not _untouched(row[0])],
        untouched=[row for row in rows if _untouched(row[0])],
    )


def _untouched(entry: ValveSheet) -> bool:
    """Whether there is nothing to look at: never opened, and in spec."""
    return not entry.valve.fit_round and entry.verdict == "in_spec"
