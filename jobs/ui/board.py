"""The board of bays, and the list of jobs."""

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import render

from jobs.models import Job
from jobs.selectors.jobs import board, jobs_of
from jobs.ui.steps import next_step
from shop.models import Site
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action

ROWS = 40


@page(see=Action.READ)
def board_page(request: PageRequest, site: Site) -> HttpResponse:
    rows = [(row, next_step(row.job) if row.job else None) for row in board(site)]
    return render(request, "jobs/board.html", {"rows": rows})


@page(see=Action.READ)
def jobs_page(request: PageRequest, site: Site) -> HttpResponse:
    state = request.GET.get("state", "")
    rows = jobs_of(site, states=[state] if state in Job.State.values else None)
    context = {
        "jobs": Paginator(rows, ROWS).get_page(request.GET.get("page")),
        "states": Job.State.choices,
        "state": state,
    }
    return render(request, "jobs/jobs.html", context)
