"""What the shop has promised a job: its holds, and its needs where something is to be bought.

A plan that was accepted stands as long as every shim that it takes from stock is held for the job, and every
one that it buys is held or still to come. Holds run out, and whoever may hold shims may give them free; the
job notices when somebody acts on it, or at the next sweep, whichever comes first.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import datetime

from django.db.models import Q

from inventory.compute.lengths import show
from inventory.models import Hold, HoldLine, Need
from inventory.services.holds import hand_back_hold, release_hold
from inventory.services.ledger import Line, lock_balances, transfer
from inventory.services.purchasing import cancel_needs
from jobs.models import Job, Plan, PlanLine
from jobs.services.events import note_event
from shop.actor import Actor, service_actor

RESTS_ON_HOLDS = frozenset({Job.State.WAITING, Job.State.HELD, Job.State.OUT})


def live_holds(job: Job, at: datetime) -> list[Hold]:
    """The job's holds that stand at this moment, locked, with their lines; [] where there are none."""
    return list(
        Hold.objects.select_for_update()
        .filter(Q(expires_at__isnull=True) | Q(expires_at__gt=at), job_id=job.pk, state=Hold.State.HELD)
        .prefetch_related("lines__place", "lines__taken_from")
        .order_by("pk")
    )


def accepted_plan(job: Job) -> Plan | None:
    """The plan that the job is at work on, with its lines."""
    return job.plans.filter(state=Plan.State.ACCEPTED).prefetch_related("lines__from_place").first()


def shims_for(plan: Plan, holds: Sequence[Hold]) -> dict[str, HoldLine]:
    """By valve label, the hold line whose shim the plan puts there; valves whose shim is not held are
    missing."""
    free: dict[tuple[str, int], list[HoldLine]] = defaultdict(list)
    for hold in holds:
        for line in hold.lines.all():
            # A line may hold several shims alike; the plan's own lines hold one for one valve.
            free[(line.label, line.thickness_nm)] += [line] * line.quantity
    found: dict[str, HoldLine] = {}
    for line in lines_from_shop(plan):
        waiting = free[(line.label, line.thickness_nm or 0)]
        if waiting:
            found[line.label] = waiting.pop(0)
    return found


def lines_from_shop(plan: Plan) -> list[PlanLine]:
    """The plan's lines that want a shim from a bin or from a supplier."""
    return [line for line in plan.lines.all() if line.action in ("stock", "buy")]


def lost_lines(plan: Plan, holds: Sequence[Hold], needs: Iterable[Need]) -> list[PlanLine]:
    """The plan's lines whose shim is neither held for the job nor still to come."""
    held = shims_for(plan, holds)
    coming = {need.valve_label for need in needs if need.state in (Need.State.OPEN, Need.State.BOUGHT)}
    return [
        line
        for line in lines_from_shop(plan)
        if line.label not in held and not (line.action == "buy" and line.label in coming)
    ]


def settle_lost_shims(job: Job, at: datetime) -> str:
    """Put a locked job whose plan has lost shims back to `planned`, its plan out of date.

    What is left of the promises is given free. Returns what was lost, in a sentence, or "" when nothing was.
    """
    if job.state not in RESTS_ON_HOLDS:
        return ""
    plan = accepted_plan(job)
    if plan is None:
        return ""
    holds = live_holds(job, at)
    lost = lost_lines(plan, holds, Need.objects.filter(job_id=job.pk))
    if not lost:
        return ""
    shims = ", ".join(f"{show(line.thickness_nm or 0)} mm for {line.label}" for line in lost)
    because = f"The shims are no longer held for {job}: {shims}."
    give_free(job, holds, actor=service_actor(), at=at)
    put_aside(plan, because)
    job.state = Job.State.PLANNED
    job.version += 1
    job.save(update_fields=["state", "version"])
    note_event(job, "hold_lost", by=service_actor().label, at=at, text=because)
    return because


def put_aside(plan: Plan, because: str) -> None:
    """Mark a plan as out of date."""
    plan.state = Plan.State.STALE
    most = Plan._meta.get_field("stale_because").max_length or 0
    plan.stale_because = because if len(because) <= most else f"{because[: most - 1]}…"
    plan.save(update_fields=["state", "stale_because"])


def put_aside_proposed(job: Job, because: str) -> int:
    """Mark every proposed plan of the job as out of date; returns how many there were."""
    return job.plans.filter(state=Plan.State.PROPOSED).update(state=Plan.State.STALE, stale_because=because)


def give_free(job: Job, holds: Sequence[Hold], *, actor: Actor, at: datetime, note: str = "") -> None:
    """End the job's holds and needs: handed-out shims go back to their bins, the others are free again."""
    lock_balances(lines_back(holds))
    for hold in holds:
        end = hand_back_hold if hold.handed_out_at else release_hold
        end(hold=hold, actor=actor, at=at, note=note)
    cancel_needs(job_id=job.pk)


def lines_back(holds: Sequence[Hold]) -> list[Line]:
    """The balances that ending these holds will touch."""
    return [
        touched
        for hold in holds
        for line in hold.lines.all()
        for touched in transfer(
            source=line.place,
            target=line.taken_from,
            family_id=line.family_id,
            thickness_nm=line.thickness_nm,
            condition=line.condition,
            quantity=line.quantity,
        )
    ]
