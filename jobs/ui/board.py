"""The board of bays, and the list of jobs."""

from collections.abc import Mapping
from dataclasses import dataclass
from uuid import UUID

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import render

from jobs.models import Job
from jobs.selectors.at_a_glance import GlancedValve, at_a_glance
from jobs.selectors.jobs import BayRow, board, jobs_of
from jobs.ui.small_engine import SmallEngine, small_engine
from jobs.ui.steps import next_step
from shop.models import Site
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action

ROWS = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class BayCard:
    """One bay on the board: its job's engine at a glance and its big button, None where the bay is free."""

    row: BayRow
    engine: SmallEngine | None
    step: tuple[str, str] | None


@page(see=Action.READ)
def board_page(request: PageRequest, site: Site) -> HttpResponse:
    rows = board(site)
    glances = at_a_glance([row.job for row in rows if row.job is not None])
    return render(request, "jobs/board.html", {"cards": [_card(row, glances) for row in rows]})


def _card(row: BayRow, glances: Mapping[UUID, list[GlancedValve]]) -> BayCard:
    if row.job is None:
        return BayCard(row=row, engine=None, step=None)
    valves = glances[row.job.pk]
    step = next_step(row.job, all_read=not any(entry.to_read for entry in valves))
    return BayCard(row=row, engine=small_engine(valves), step=step)


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
