"""A job of which two valves want 2.575 mm, and shims of that size that are held for it by hand."""

from typing import Any

from inventory.models import Hold
from inventory.services.holds import Wanted, hold_shims
from jobs.models import Job
from tests.jobs.shop import AT, USED, Workshop

OUT = {"1-IN": "5 thou", "1-EX": "12 thou", "2-IN": "5 thou", "2-EX": "12 thou"}
SHIMS = {"1-IN": "2.650 mm", "2-IN": "2.650 mm"}
BOTH = ["1-IN", "2-IN"]  # each wants 2.575


def with_one_there(workshop: Workshop) -> Job:
    workshop.stock(("2.575", USED, 1))
    return workshop.read(workshop.job(), OUT, SHIMS)


def hold_by_hand(
    workshop: Workshop, job: Job | None, *, quantity: int = 1, bin_of: str = "2.575", **more: Any
) -> Hold:
    line = Wanted(
        place=workshop.bins[bin_of],
        family_id=workshop.family.pk,
        thickness_nm=2_575_000,
        condition=USED,
        quantity=quantity,
    )
    by = {"site": workshop.site, "actor": workshop.tech, "at": AT}
    job_id = None if job is None else job.pk
    return hold_shims(**by, lines=[line], reference="by hand", job_id=job_id, **more)
