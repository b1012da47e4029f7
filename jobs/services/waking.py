"""What happens to jobs without anybody's hand: shims arrive for them, or their holds run out."""

import uuid
from collections import defaultdict
from datetime import datetime

from inventory.models import Hold, Need
from inventory.services.holds import expire_due_holds, extend_hold, release_hold
from jobs.models import Job, Plan
from jobs.services import news
from jobs.services.events import note_event
from jobs.services.handing_over import lock_with_partners, to_come
from jobs.services.promises import (
    RESTS_ON_HOLDS,
    accepted_plan,
    coming_from_others,
    lock_shims,
    lock_stock,
    lost_lines,
    parted,
    settle_lost_shims,
)
from shop.actor import service_actor
from shop.conf import conf
from shop.db import write_transaction
from shop.models import Site


@write_transaction
def wake_job(*, job_id: uuid.UUID, at: datetime) -> str:
    """Shims came for the job: once all that it waits for is held, it can go on. Returns the job's state.

    Safe to run twice, late, or for a job that no longer waits: what was held for it then is free again.
    """
    job = lock_with_partners([job_id]).get(job_id)
    if job is None:
        return ""
    settle_lost_shims(job, at)
    locked = lock_shims(job, at)
    lock_stock(locked)
    plan = accepted_plan(job) if job.state in RESTS_ON_HOLDS else None
    if plan is None:
        _free_stray(job, locked.held, at)
        return job.state
    lacking = lost_lines(plan, locked.held, (), coming_from_others(plan))
    if job.state != Job.State.WAITING or lacking:
        return job.state
    # The bay gets its time from now on, and the job's holds run out together: one that stands longer, since
    # the job waited or somebody said so, is worth nothing without the others.
    mine, _ = parted(job, plan, locked.held, by=service_actor().label, at=at)
    ends = [hold.expires_at for hold in mine if hold.expires_at is not None]
    last = max([at + conf.hold_time, *ends])
    for hold in mine:
        if hold.expires_at is not None and hold.expires_at < last:
            extend_hold(hold=hold, actor=service_actor(), at=at, expires_in=last - at)
    job.state = Job.State.HELD
    job.version += 1
    job.save(update_fields=["state", "version"])
    note_event(job, "shims_arrived", by=service_actor().label, at=at, text="Everything is here and held.")
    news.hold_ready(job, at)
    return job.state


def sweep_holds(*, site: Site, at: datetime) -> int:
    """Expire the site's overdue holds, and put back the jobs whose plans rested on them; returns how many
    jobs.

    One transaction a job, and none for a job that has what it needs: a sweep keeps nobody waiting. Safe to
    run twice or at once.
    """
    expire_due_holds(site=site, at=at)
    return sum(_settle(plan.job_id, at) for plan in _plans_that_lost(site))


def _plans_that_lost(site: Site) -> list[Plan]:
    """Plans at work whose shims are neither held nor to come, as a look without any lock has it."""
    plans = list(
        Plan.objects.filter(
            job__site=site, job__state__in=RESTS_ON_HOLDS, state=Plan.State.ACCEPTED
        ).prefetch_related("lines")
    )
    jobs = [plan.job_id for plan in plans]
    holds, needs = defaultdict(list), defaultdict(list)
    for hold in Hold.objects.filter(job_id__in=jobs, state=Hold.State.HELD).prefetch_related("lines"):
        holds[hold.job_id].append(hold)
    for need in Need.objects.filter(job_id__in=jobs):
        needs[need.job_id].append(need)
    coming = to_come([plan.pk for plan in plans])
    return [
        plan
        for plan in plans
        if lost_lines(plan, holds[plan.job_id], needs[plan.job_id], coming.get(plan.pk, frozenset()))
    ]


@write_transaction
def _settle(pk: uuid.UUID, at: datetime) -> bool:
    job = lock_with_partners([pk])[pk]
    return bool(settle_lost_shims(job, at))


def _free_stray(job: Job, holds: list[Hold], at: datetime) -> None:
    """Shims that were held for a need which ended while they came in at the door: nobody waits for them."""
    met = set(
        Need.objects.filter(job_id=job.pk, state=Need.State.MET).values_list(
            "valve_label", "line__thickness_nm"
        )
    )
    for hold in holds:
        lines = {(line.label, line.thickness_nm) for line in hold.lines.all()}
        if not hold.handed_out_at and lines <= met:
            release_hold(hold=hold, actor=service_actor(), at=at, note=f"{job} no longer waits for them.")
