"""What a job did to the stock, as the inventory tells it (inventory/ui/stories.py)."""

from uuid import UUID

from django.http import HttpResponse, HttpResponseBase
from django.urls import reverse
from django.utils import timezone

from inventory.selectors.stories import story_of_job
from inventory.ui.stories import About, draw_story, story_table
from jobs.selectors.jobs import job_of
from shop.models import Site
from shop.pages.people import PageRequest
from shop.pages.views import page
from shop.roles import Action


@page(see=Action.READ)
def job_history_page(request: PageRequest, site: Site, pk: UUID) -> HttpResponse:
    return draw_story(request, _about(site, pk))


@page(see=Action.READ)
def job_history_file(request: PageRequest, site: Site, pk: UUID, ending: str) -> HttpResponseBase:
    return story_table(request, _about(site, pk), ending)


def _about(site: Site, pk: UUID) -> About:
    """Raises NotFound, for another site's job too."""
    job = job_of(site, pk)
    return About(
        words=f"Stock for {job}",
        name=f"job-{job.number}",
        address=reverse("job", args=[site.code, pk]),
        here=reverse("job_history", args=[site.code, pk]),
        story=story_of_job(site, pk, at=timezone.now()),
    )
