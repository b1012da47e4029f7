"""What is held for a job by hand, before any plan of it was accepted: its own plan may count on that."""

from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple

from django.db.models import Q

from inventory.models import Balance, Hold, HoldLine, PlaceKind
from inventory.selectors.stock import PLANNABLE
from jobs.models import Job

AT_WORK = frozenset({Job.State.WAITING, Job.State.HELD, Job.State.OUT})
"""States of a job whose plan was accepted: what is held for it then is that plan's."""


class OwnLot(NamedTuple):
    """So many shims of one lot that are held for the job."""

    balance: Balance
    quantity: int


def own_lines(jobs: Sequence[Job], *, at: datetime | None = None) -> list[HoldLine]:
    """What is held for these jobs in bins and in their own trays, of their families, the oldest hold first;
    nothing for jobs at work. `at`: without holds whose time is over by then."""
    planning = [job for job in jobs if job.state not in AT_WORK]
    if not planning:
        return []
    rows = (
        HoldLine.objects.filter(
            hold__job_id__in=[job.pk for job in planning],
            hold__state=Hold.State.HELD,
            condition__in=PLANNABLE,
        )
        .filter(Q(place__kind=PlaceKind.BIN) | Q(place__in=[job.tray_id for job in planning]))
        .select_related("hold", "place")
        .order_by("hold__created_at", "hold_id", "position")
    )
    if at is not None:
        rows = rows.exclude(hold__expires_at__lte=at)
    by_id = {job.pk: job for job in planning}
    return [line for line in rows if _is_its_own(by_id[line.hold.job_id], line)]


def own_lots(job: Job) -> list[OwnLot]:
    """The lots that the job's plan finds held for it: those in its tray, then as bins are listed."""
    held: dict[tuple, int] = defaultdict(int)
    for line in own_lines([job]):
        held[line.place_id, line.thickness_nm, line.condition] += line.quantity
    if not held:
        return []
    rows = (
        Balance.objects.filter(place__in={place for place, _, _ in held}, family=job.family_id, held__gt=0)
        .select_related("place", "family")
        .order_by("thickness_nm", "condition", "place__code", "id")
    )
    lots = [
        OwnLot(balance, quantity)
        for balance in rows
        if (quantity := held.get((balance.place_id, balance.thickness_nm, balance.condition)))
    ]
    return sorted(lots, key=lambda lot: lot.balance.place_id != job.tray_id)


def _is_its_own(job: Job, line: HoldLine) -> bool:
    here = line.place.kind == PlaceKind.BIN or line.place_id == job.tray_id
    return here and line.place.site_id == job.site_id and line.family_id == job.family_id
