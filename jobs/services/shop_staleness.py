"""A shop plan is a proposal over a state of the shop: whoever changes what it rests on marks it as out of
date."""

from datetime import datetime

from django.db.models import Q

from jobs.models import Job, ShopPlan
from jobs.services.events import cut
from shop.models import Site

STANDING = (ShopPlan.State.MAKING, ShopPlan.State.PROPOSED)


def touch_job(job: Job, because: str, *, family: bool = False) -> int:
    """The job changed: plans that it is in are out of date; with `family` those of its shim family too, since
    its engine may want what they give to others. Returns how many."""
    touched = Q(jobs__job=job)
    if family:
        touched |= Q(jobs__job__family=job.family_id)
    return _touch(ShopPlan.objects.filter(touched, site=job.site_id), because)


def touch_families(site: Site, codes: list[str], because: str, *, at: datetime) -> int:
    """Shims of these families came then: plans from before for engines that take such are out of date.
    Returns how many."""
    before = ShopPlan.objects.filter(site=site, created_at__lte=at)
    return _touch(before.filter(jobs__job__family__code__in=codes), because)


def _touch(plans, because: str) -> int:
    found = list(plans.filter(state__in=STANDING).values_list("pk", flat=True).distinct())
    for pk in sorted(found):
        # One that is being made keeps its state: its own task says at its end that it is out of date.
        row = ShopPlan.objects.filter(pk=pk, stale_because="")
        row.update(stale_because=cut(because, ShopPlan, "stale_because"))
        ShopPlan.objects.filter(pk=pk, state=ShopPlan.State.PROPOSED).update(state=ShopPlan.State.STALE)
    return len(found)
