"""Background tasks of jobs and its kind of table; loaded at start so that they are registered."""

import uuid
from datetime import timedelta

from inventory.services.purchasing import STOCK_ARRIVED
from jobs import engine_table
from jobs.services.waking import sweep_holds, wake_job
from shop.background.context import TaskContext
from shop.background.registry import periodic, task_handler
from shop.models import Site

__all__ = ["engine_table"]

SWEEP_EVERY = timedelta(minutes=1)


@task_handler(STOCK_ARRIVED)
def stock_arrived(task: TaskContext) -> None:
    """Wake the job that bought shims came for."""
    with task.commit():
        wake_job(job_id=uuid.UUID(task.payload["job"]), at=task.now())


@periodic("expire_holds", every=SWEEP_EVERY)
def expire_holds(task: TaskContext) -> dict[str, int]:
    """Expire overdue holds at every site; safe to run again at any point, so it needs no one transaction."""
    sites = list(Site.objects.all())
    put_back = 0
    for index, site in enumerate(sites):
        put_back += sweep_holds(site=site, at=task.now())
        task.heartbeat(100 * (index + 1) // len(sites), f"{index + 1} of {len(sites)} sites")
    return {"sites": len(sites), "jobs_put_back": put_back}
