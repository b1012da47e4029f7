"""Background tasks of jobs and its kind of table; loaded at start so that they are registered."""

import uuid
from datetime import timedelta

from inventory.services.purchasing import STOCK_ARRIVED
from jobs import engine_table
from jobs.services.shop_planning import (
    PLAN_SHOP,
    PLAN_SHOP_PART,
    fail_lost_shop_plans,
    make_shop_plan,
    solve_shop_plan_part,
)
from jobs.services.shop_staleness import touch_families
from jobs.services.waking import sweep_holds, wake_job
from shop.background.context import TaskContext
from shop.background.registry import periodic, receives, task_handler
from shop.models import OutboxEvent, Site
from shop.webhooks.events import EventKind

__all__ = ["engine_table"]

SWEEP_EVERY = timedelta(minutes=1)
DELIVERY_CAME = "delivery_came"
receives(EventKind.DELIVERY_RECEIVED, by=DELIVERY_CAME)


@task_handler(STOCK_ARRIVED)
def stock_arrived(task: TaskContext) -> None:
    """Wake the job that bought shims came for."""
    with task.commit():
        wake_job(job_id=uuid.UUID(task.payload["job"]), at=task.now())


@task_handler(PLAN_SHOP)
def plan_shop(task: TaskContext) -> dict[str, str]:
    """Make the plan for a whole shop that somebody asked for."""
    return make_shop_plan(task)


@task_handler(PLAN_SHOP_PART)
def plan_shop_part(task: TaskContext) -> dict[str, str] | None:
    """Make one part of such a plan, beside whoever makes the others."""
    return solve_shop_plan_part(task)


@task_handler(DELIVERY_CAME)
def delivery_came(task: TaskContext) -> dict[str, int]:
    """Shims came in at the door: plans for engines that take such are out of date."""
    told = task.payload["payload"]
    site = Site.objects.filter(pk=task.site_id).first()
    codes = sorted({line["family"] for line in told.get("received", [])})
    event = OutboxEvent.objects.filter(pk=task.payload["event_id"]).first()
    result: dict[str, int] = {}
    with task.commit(result):
        if site is not None and event is not None:
            because = f"Purchase list {told['number']} came in."
            result["stale"] = touch_families(site, codes, because, at=event.created_at)
    return result


@periodic("expire_holds", every=SWEEP_EVERY)
def expire_holds(task: TaskContext) -> dict[str, int]:
    """Expire overdue holds at every site; safe to run again at any point, so it needs no one transaction."""
    sites = list(Site.objects.all())
    put_back = 0
    for index, site in enumerate(sites):
        put_back += sweep_holds(site=site, at=task.now())
        fail_lost_shop_plans(site)
        task.heartbeat(100 * (index + 1) // len(sites), f"{index + 1} of {len(sites)} sites")
    return {"sites": len(sites), "jobs_put_back": put_back}
