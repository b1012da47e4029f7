"""What is held for a job, by its accepted plan or by hand; a new plan of it may count on the latter."""

import uuid
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from datetime import datetime
from functools import partial
from typing import NamedTuple

from django.db.models import Q

from inventory.models import Balance, Hold, HoldLine, PlaceKind
from inventory.selectors.stock import PLANNABLE
from jobs.models import Job, Plan, PlanLine

AT_WORK = frozenset({Job.State.WAITING, Job.State.HELD, Job.State.OUT})
"""States of a job whose plan was accepted: no other plan counts then on what is held for it."""


class OwnLot(NamedTuple):
    """So many shims of one lot that are held for the job."""

    balance: Balance
    quantity: int


def own_lines(
    jobs: Sequence[Job], *, at: datetime | None = None, anew: Collection[uuid.UUID] = ()
) -> list[HoldLine]:
    """What is held for these jobs in bins and in their own trays, of their families, the oldest hold first;
    nothing for jobs at work, but for those that are planned `anew`. `at`: without holds whose time is over by
    then."""
    planning = [job for job in jobs if job.state not in AT_WORK or job.pk in anew]
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


def lines_from_shop(plan: Plan) -> list[PlanLine]:
    """The plan's lines that want a shim from a bin, a supplier, a tray or another engine."""
    return [line for line in plan.lines.all() if line.from_shop]


def shims_for(plan: Plan, holds: Iterable[Hold]) -> dict[str, HoldLine]:
    """By valve label, the hold line whose shim the plan puts there; valves whose shim is not held are
    missing. Of several alike, the one from where the plan takes it, then the one that was held first."""
    free: dict[tuple[str, int], list[HoldLine]] = defaultdict(list)
    for hold in holds:
        for line in hold.lines.all():
            # A line may hold several shims alike; the plan's own lines hold one for one valve.
            free[(line.label, line.thickness_nm)] += [line] * line.quantity
    found: dict[str, HoldLine] = {}
    for wanted in lines_from_shop(plan):
        waiting = free[(wanted.label, wanted.gets_nm)]
        if waiting:
            waiting.sort(key=partial(_is_not_meant, wanted))
            found[wanted.label] = waiting.pop(0)
    return found


def by_hand(plan: Plan | None, holds: Iterable[Hold]) -> list[HoldLine]:
    """The lines of a job's holds that are not its accepted plan's; all of them where it has none."""
    holds = list(holds)
    at_work = plan is not None and plan.state == Plan.State.ACCEPTED
    taken = {line.pk for line in shims_for(plan, holds).values()} if plan and at_work else set()
    return [line for hold in holds for line in hold.lines.all() if line.pk not in taken]


def _is_not_meant(wanted: PlanLine, line: HoldLine) -> tuple[bool, bool]:
    other_place = wanted.from_place_id is not None and line.taken_from_id != wanted.from_place_id
    return other_place, bool(wanted.condition) and line.condition != wanted.condition


def _is_its_own(job: Job, line: HoldLine) -> bool:
    here = line.place.kind == PlaceKind.BIN or line.place_id == job.tray_id
    return here and line.place.site_id == job.site_id and line.family_id == job.family_id
