"""What jobs tell others of (shop/webhooks/events.py): ids, and the facts that a program acts on.

Called inside the transaction of what is told.
"""

from datetime import datetime
from typing import Any

from jobs.models import Job, Plan
from shop.webhooks.events import EventKind, tell


def hold_ready(job: Job, at: datetime) -> None:
    """Everything that the job waited for is here and held."""
    tell(EventKind.HOLD_READY, _job(job), site=job.site, at=at)


def plan_stale(plan: Plan, at: datetime) -> None:
    """The plan was put aside: shims that it takes are gone, or what it rests on was keyed in anew."""
    data = _job(plan.job) | {"plan": str(plan.pk), "because": plan.stale_because}
    tell(EventKind.PLAN_STALE, data, site=plan.job.site, at=at)


def job_signed_off(job: Job, at: datetime) -> None:
    """The job is closed."""
    tell(EventKind.JOB_SIGNED_OFF, _job(job), site=job.site, at=at)


def _job(job: Job) -> dict[str, Any]:
    return {"job": str(job.pk), "number": job.number}
