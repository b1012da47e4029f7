"""Roll a job's engine into a bay, from the yard or from another bay."""

from datetime import datetime

from jobs.models import Job
from jobs.services.handing_over import refuse_in_a_ring
from jobs.services.opening import CLOSED, refuse_taken_bay
from jobs.services.states import Act
from jobs.services.steps import begin, finish
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import NotFound
from shop.models import Bay, Site


@write_transaction
def take_into_bay(
    *, job: Job, actor: Actor, at: datetime, bay: Bay | None, version: int | None = None
) -> Job:
    """The open job stands in this bay from now on, or in the yard where `bay` is None.

    Raises Conflict, code `bay-taken`, when another open job is in it, NotFound for a bay of another site,
    WrongState for an engine that another one waits for in turn.
    """
    # The site's row is locked first, as when a job is opened: two engines cannot take one bay.
    Site.objects.select_for_update().get(pk=job.site_id)
    job = begin(job, Act.TAKE_IN, actor=actor, at=at, version=version)
    if bay is None:
        refuse_in_a_ring(job)
    else:
        if bay.site_id != job.site_id:
            raise NotFound(f"There is no such bay at {job.site.name}.")
        others = Job.objects.filter(site=job.site).exclude(state__in=CLOSED).exclude(pk=job.pk)
        refuse_taken_bay(list(others), bay)
    was = job.bay or "the yard"
    job.bay = bay
    text = f"Taken from {was} to {bay or 'the yard'}."
    return finish(job, Act.TAKE_IN, actor=actor, at=at, text=text, changed=["bay"])
