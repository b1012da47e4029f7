"""What every page of one job is given, and how it is drawn."""

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import render

from jobs.selectors.jobs import JobSheet, job_of, job_sheet
from jobs.services.states import Act
from jobs.ui.steps import steps_of
from shop.errors import ShopError
from shop.models import Site
from shop.pages.people import PageRequest


def sheet_of(site: Site, pk: UUID) -> JobSheet:
    """The job's sheet. Raises NotFound, for another site's job too."""
    return job_sheet(job_of(site, pk))


def job_page(
    request: PageRequest,
    template: str,
    sheet: JobSheet,
    *,
    step: str,
    refusal: ShopError | None = None,
    status: int = 200,
    **context: Any,
) -> HttpResponse:
    """Draw a page of a job. `step` is the page's name, so that the steps show where one is."""
    context |= {
        "sheet": sheet,
        "job": sheet.job,
        "steps": steps_of(sheet.job, step),
        "step": step,
        "can": {act.name.lower(): act in sheet.may for act in Act},
        "refusal": refusal,
    }
    return render(request, template, context, status=status)
