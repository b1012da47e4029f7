"""When a hold runs out where nobody says so.

A hold stands for the shop's usual time. One for a job that waits for shims to be bought stands longer: the
job must not lose what it has while the rest is on its way. So it runs out a number of days (a setting) after
the last of: now, the day for which the job is promised, the day on which what it lacks is expected. The board
of holds says which ones wait.
"""

import uuid
from collections import defaultdict
from collections.abc import Collection
from datetime import datetime, timedelta

from inventory.models import Hold, Need
from shop.conf import conf
from shop.db import by_now, once_locked

LONGEST = timedelta(days=365)
STILL_TO_COME = (Need.State.OPEN, Need.State.BOUGHT)


def usual_expiry(at: datetime, job_id: uuid.UUID | None) -> datetime:
    """When a hold that is made now runs out; `job_id`: for which job, None for an outside reference."""
    if job_id is None:
        return at + conf.hold_time
    return _expiries([job_id], at).get(job_id, at + conf.hold_time)


def keep_while_waiting(*, jobs: Collection[uuid.UUID], at: datetime) -> int:
    """Let what is held for these jobs stand as long as they wait, now that it is known when their shims come.

    Nothing is shortened, and a hold whose time is over stays over. Call with the jobs' needs locked, inside a
    transaction. Returns how many holds stand longer.
    """
    expiries = _expiries(jobs, at)
    rows = Hold.objects.select_for_update().filter(
        job_id__in=expiries, state=Hold.State.HELD, expires_at__gt=by_now(at)
    )
    longer, holds = [], list(rows.order_by("pk"))
    moment = once_locked(at)
    for hold in holds:
        wanted = expiries[hold.job_id]
        if moment < hold.expires_at < wanted:
            hold.expires_at, hold.version = wanted, hold.version + 1
            longer.append(hold)
    Hold.objects.bulk_update(longer, ["expires_at", "version"])
    return len(longer)


def _expiries(jobs: Collection[uuid.UUID], at: datetime) -> dict[uuid.UUID, datetime]:
    """By job that waits for shims, when a hold for it runs out; the others are missing."""
    days: dict[uuid.UUID, list[datetime]] = defaultdict(lambda: [at])
    needs = Need.objects.filter(job_id__in=list(jobs), state__in=STILL_TO_COME).order_by()
    for job_id, needed_by, bought_at, lead_days in needs.values_list(
        "job_id",
        "needed_by",
        "line__purchase_list__created_at",
        "line__purchase_list__supplier__lead_days",
    ):
        days[job_id] += [day for day in (needed_by,) if day is not None]
        if bought_at is not None:
            days[job_id].append(bought_at + timedelta(days=lead_days or 0))
    usual = at + conf.hold_time
    return {
        job_id: min(max(usual, max(found) + conf.waiting_hold_time), at + LONGEST)
        for job_id, found in days.items()
    }
