"""Shims of a family that are at the site and that no plan may take now: held for others, or not measured."""

from collections.abc import Iterator
from typing import cast

from django.db.models import Q

from inventory.models import Balance, Condition, HoldLine, PlaceKind
from inventory.models.hold import Hold
from jobs.compute.reasons import SetAside
from jobs.models import Job

_LYING = (PlaceKind.BIN, PlaceKind.INSPECTION, PlaceKind.RECEIVING)


def set_aside_from(job: Job) -> list[SetAside]:
    """What the plan of this job may not take; two queries."""
    return [*_held(job), *_unmeasured(job)]


def _held(job: Job) -> Iterator[SetAside]:
    lines = (
        HoldLine.objects.filter(hold__site=job.site, hold__state=Hold.State.HELD, family=job.family)
        .filter(~Q(hold__job_id=job.pk) | Q(hold__job_id=None))
        .select_related("hold")
        .order_by("thickness_nm", "id")
    )
    for line in lines:
        by = line.hold.reference or cast(str, line.hold.created_by)
        yield SetAside(thickness_nm=line.thickness_nm, because="held", by=by)


def _unmeasured(job: Job) -> Iterator[SetAside]:
    rows = Balance.objects.filter(
        site=job.site,
        family=job.family,
        place__kind__in=_LYING,
        condition=Condition.UNMEASURED,
        on_hand__gt=0,
    )
    for thickness in sorted(set(rows.values_list("thickness_nm", flat=True))):
        yield SetAside(thickness_nm=thickness, because="unmeasured")
