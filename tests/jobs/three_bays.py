"""Three engines of which none could leave alone but one: what a plan for the whole shop is for.

Bay 1 wants 2.575 mm in 1-IN, and a size for 2-IN that nobody has: it has to wait for a purchase anyhow.
Bay 2 wants a shim near 2.650 mm in 1-IN: there is none in the bins, but bay 1 pulls one.
Bay 3 wants 2.575 mm in 1-IN: one lies in B01, and one comes out of bay 2.
"""

import time_machine

from jobs.models import HandOver, Job, Plan, ShopPlan
from jobs.services.shop_planning import plan_shop
from shop.background.work import work_once
from tests.jobs.shop import AT, USED

IN_SPEC = {"1-EX": "12 thou", "2-EX": "12 thou"}


def three_bays(workshop) -> list[Job]:
    """The jobs in bays 1, 2 and 3, read."""
    workshop.stock(("2.575", USED, 1))
    jobs = [workshop.job() for _ in range(3)]
    found = (
        ({"1-IN": "5 thou", "2-IN": "5 thou"}, {"1-IN": "2.650 mm", "2-IN": "2.900 mm"}),
        ({"1-IN": "11 thou", "2-IN": "8 thou"}, {"1-IN": "2.575 mm"}),
        ({"1-IN": "5 thou", "2-IN": "8 thou"}, {"1-IN": "2.651 mm"}),
    )
    for job, (readings, shims) in zip(jobs, found, strict=True):
        workshop.read(job, IN_SPEC | readings, shims)
    return fresh(jobs)


def fresh(jobs: list[Job]) -> list[Job]:
    return [Job.objects.select_related("site", "bay").get(pk=job.pk) for job in jobs]


def made(workshop, actor, *, at=AT, **more) -> ShopPlan:
    """A plan for the shop, asked for and made."""
    plan = plan_shop(site=workshop.site, actor=actor, at=at, **more)
    work(at)
    plan.refresh_from_db()
    return plan


def work(at=AT) -> None:
    """Whatever waits in the background, done as if it were this moment."""
    with time_machine.travel(at):
        work_once()


def actions(plan: ShopPlan) -> dict[str, dict[str, str]]:
    """By number of the job: what the plan does with each valve that it changes."""
    numbers = {str(job.pk): job.number for job in Job.objects.all()}
    return {
        numbers[entry["job"]]: {
            choice["label"]: choice["action"] for choice in entry["choices"] if choice["action"] != "keep"
        }
        for entry in plan.result["jobs"]
    }


def gets(job: Job) -> dict[str, int]:
    """What the job's accepted plan gives each valve that it changes."""
    plan = job.plans.get(state=Plan.State.ACCEPTED)
    return {line.label: line.thickness_nm for line in plan.lines.all() if line.action != "keep"}


def hand_overs(**wanted) -> list[HandOver]:
    return list(HandOver.objects.filter(**wanted).select_related("from_job", "to_job", "hold"))
