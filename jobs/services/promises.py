"""What the shop has promised a job: its holds, and its needs where something is to be bought.

A plan that was accepted stands as long as every shim that it takes from stock is held for the job, and every
one that it buys is held or still to come. Holds run out, and whoever may hold shims may give them free; the
job notices when somebody acts on it, or at the next sweep, whichever comes first.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from datetime import datetime

from django.db.models import Q, prefetch_related_objects

from inventory.compute.lengths import show
from inventory.models import Balance, Condition, Hold, HoldLine, HoldTakeOver, Need, PlaceKind
from inventory.selectors.places import place_of
from inventory.services.hold_state import Locked, lock_holds
from inventory.services.holds import hand_back_hold, release_hold
from inventory.services.ledger import Line, give_free, lock_balances, transfer
from inventory.services.purchasing import cancel_needs
from jobs.models import Job, Plan, PlanLine
from jobs.selectors.own_holds import by_hand, lines_from_shop, shims_for
from jobs.services import news
from jobs.services.events import cut, note_event
from jobs.services.handing_over import give_back_what_it_gets, to_come, withdraw_what_it_gives
from jobs.services.neighbours import take_neighbours
from jobs.services.own_holds import WantedShim, take_out
from jobs.services.shop_staleness import touch_job
from shop.actor import Actor, service_actor
from shop.db import by_now
from shop.errors import HoldExpired

RESTS_ON_HOLDS = frozenset({Job.State.WAITING, Job.State.HELD, Job.State.OUT})


def lock_shims(job: Job, at: datetime) -> Locked:
    """The job's holds that stand at this moment, locked, with their lines; and the site's overdue ones, which
    expire. Pass it on to `lock_stock` before anything moves."""
    locked = lock_holds(site=job.site, at=at, job_id=job.pk)
    prefetch_related_objects(locked.held, "lines__place", "lines__taken_from")
    for hold in locked.held:
        hold.site = job.site
    return locked


def lock_plans_shims(job: Job, plan: Plan, *, actor: Actor, at: datetime) -> tuple[Locked, list[Hold]]:
    """As `lock_shims`, with every shim that the plan takes from the shop among them; and the holds of the job
    beside its plan, which are by hand.

    Raises HoldExpired when one got away between the look at the job and the lock.
    """
    locked = lock_shims(job, at)
    lost = lost_lines(plan, locked.held, (), coming_from_others(plan))
    if lost:
        raise HoldExpired(_in_words(job, lost) + " Plan again.", extra={"state": str(job.state)})
    mine, beside = parted(job, plan, locked.held, by=actor.label, at=at)
    return replace(locked, held=mine), beside


def parted(
    job: Job, plan: Plan, holds: Sequence[Hold], *, by: str, at: datetime
) -> tuple[list[Hold], list[Hold]]:
    """The holds of the job, locked, that are its plan's and those that are by hand; what one has of both is
    parted."""
    taken = shims_for(plan, holds)
    wanted = [
        WantedShim(
            label=label,
            thickness_nm=line.thickness_nm,
            condition=line.condition,
            place_id=line.place_id,
            taken=line,
        )
        for label, line in taken.items()
    ]
    mine = {hold.pk: hold for hold in take_out(job, wanted, holds, by=by, at=at)}
    beside = [hold for hold in holds if hold.pk not in mine]
    if mine.keys() - {hold.pk for hold in holds}:
        return fresh(job, mine.values()), fresh(job, beside)
    return [hold for hold in holds if hold.pk in mine], beside


def fresh(job: Job, holds: Iterable[Hold]) -> list[Hold]:
    """These holds, locked before, with their lines as they are now."""
    rows = Hold.objects.filter(pk__in=[hold.pk for hold in holds]).order_by("pk")
    found = list(rows.prefetch_related("lines__place", "lines__taken_from"))
    for hold in found:
        hold.site = job.site
    return found


def lock_stock(locked: Locked, lines: Iterable[Line] = ()) -> None:
    """Lock every balance that the act will touch, in the one order, before the first of its movements; what
    overdue holds promised is free from then on."""
    lock_balances(lines, locked.freed)
    for key, quantity in sorted(locked.freed.items()):
        give_free(key, quantity)


def accepted_plan(job: Job) -> Plan | None:
    """The plan that the job is at work on, with its lines."""
    return job.plans.filter(state=Plan.State.ACCEPTED).prefetch_related("lines__from_place").first()


def coming_from_others(plan: Plan) -> Collection[str]:
    """Labels of the plan's valves whose shim is promised and still in another engine."""
    return to_come([plan.pk]).get(plan.pk, frozenset())


def lost_lines(
    plan: Plan, holds: Sequence[Hold], needs: Iterable[Need], from_others: Collection[str]
) -> list[PlanLine]:
    """The plan's lines whose shim is neither held for the job nor still to come."""
    held = shims_for(plan, holds)
    coming = {need.valve_label for need in needs if need.state in (Need.State.OPEN, Need.State.BOUGHT)}
    return [
        line
        for line in lines_from_shop(plan)
        if line.label not in held
        and line.label not in from_others
        and not (line.action in ("buy", "order") and line.label in coming)
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
    standing = Hold.objects.filter(
        Q(expires_at__isnull=True) | Q(expires_at__gt=by_now(at)), job_id=job.pk, state=Hold.State.HELD
    ).prefetch_related("lines")
    needs = Need.objects.filter(job_id=job.pk)
    lost = lost_lines(plan, list(standing), needs, coming_from_others(plan))
    if lost and take_neighbours(job, plan, lost, standing, at):
        lost = lost_lines(plan, list(standing), needs, coming_from_others(plan))
    if not lost:
        return ""
    because = _in_words(job, lost)
    lose_plan(job, plan, because, at)
    return because


def lose_plan(job: Job, plan: Plan, because: str, at: datetime) -> None:
    """Put a locked job back to `planned`: what its accepted plan rests on is gone."""
    end_promises(job, plan=plan, actor=service_actor(), at=at, note=because)
    put_aside(plan, because, at)
    job.state = Job.State.PLANNED
    job.version += 1
    job.save(update_fields=["state", "version"])
    note_event(job, "hold_lost", by=service_actor().label, at=at, text=because)
    touch_job(job, f"{job}: {because}")


def _in_words(job: Job, lost: Sequence[PlanLine]) -> str:
    shims = ", ".join(f"{show(line.gets_nm)} mm for {line.label}" for line in lost)
    return " ".join([f"The shims are no longer held for {job}: {shims}.", *_causes(job, lost)])


def _causes(job: Job, lost: Sequence[PlanLine]) -> list[str]:
    """Who took the lost shims, each act in a sentence; nothing of those whose time was over."""
    shims = Q(pk__in=[])
    for line in lost:
        shims |= Q(label=line.label, thickness_nm=line.gets_nm)
    ended = HoldLine.objects.filter(shims, hold__job_id=job.pk).exclude(hold__state=Hold.State.HELD)
    last = {line.label: line.hold for line in ended.select_related("hold").order_by("hold__resolved_at")}
    taken = set(HoldTakeOver.objects.filter(hold__in=last.values()).values_list("hold_id", flat=True))
    causes = []
    for hold in last.values():
        if hold.state == Hold.State.RELEASED:
            said = hold.note if hold.pk in taken else f"Given free by {hold.resolved_by}: {hold.note}"
            causes.append(f"{said.rstrip(': .')}.")
    return list(dict.fromkeys(causes))


def put_aside(plan: Plan, because: str, at: datetime) -> None:
    """Mark a plan as out of date, and tell whoever counts on it."""
    plan.state = Plan.State.STALE
    plan.stale_because = cut(because, Plan, "stale_because")
    plan.save(update_fields=["state", "stale_because"])
    news.plan_stale(plan, at)


def put_aside_proposed(job: Job, because: str) -> int:
    """Mark every proposed plan of the job as out of date; returns how many there were."""
    return job.plans.filter(state=Plan.State.PROPOSED).update(
        state=Plan.State.STALE, stale_because=cut(because, Plan, "stale_because")
    )


def end_promises(
    job: Job, *, plan: Plan | None, actor: Actor, at: datetime, note: str = "", stopping: bool = False
) -> str:
    """End the job's needs and the holds of its accepted plan: handed-out shims go back to their bins, the
    others are free again. What is held for it by hand stays so, but where `plan` is None: then the job is
    over. Returns those in a sentence, "" where there are none.

    What it was to get from other jobs is theirs again, and what it was to give is not given: the plans that
    counted on that are out of date. The job and its partners (services/handing_over.py) are locked.
    """
    because = note or f"The plan of {job} was released."
    cancel_needs(job_id=job.pk)
    give_back_what_it_gets(job, actor=actor, at=at, because=because)
    losers = withdraw_what_it_gives(job, actor=actor, at=at, because=because, stopping=stopping)
    locked = lock_shims(job, at)
    ending, said = locked.held, ""
    if plan is None:
        said = _by_hand_in_words(by_hand(accepted_plan(job), ending))
    else:
        ending, _ = parted(job, plan, ending, by=actor.label, at=at)
    lock_stock(locked, [*_lines_back(job, ending), *_lines_out_of_tray(job)])
    for hold in ending:
        end = hand_back_hold if _was_moved(hold) else release_hold
        end(hold=hold, actor=actor, at=at, note=note)
    lose_plans(losers, job, because, at)
    return said


def _by_hand_in_words(lines: Sequence[HoldLine]) -> str:
    shims = [
        f"{line.quantity} × {show(line.thickness_nm)} mm {Condition(line.condition).label.lower()}, "
        + ("left in its tray" if line.taken_from.kind == PlaceKind.TRAY else f"bin {line.taken_from.code}")
        for line in lines
    ]
    return f"No longer held for it by hand: {'; '.join(shims)}." if shims else ""


def lose_plans(losers: Iterable[Job], giver: Job, because: str, at: datetime) -> None:
    """Put the accepted plans aside of jobs, locked, that counted on a shim of this one."""
    for loser in losers:
        loser.refresh_from_db()
        plan = accepted_plan(loser) if loser.state in RESTS_ON_HOLDS else None
        if plan is not None:
            lose_plan(loser, plan, f"It counted on a shim of {giver}. {because}", at)


def _was_moved(hold: Hold) -> bool:
    """Whether its shims were handed out of their bins; what lies in the tray that it was held in was not."""
    return bool(hold.handed_out_at) and any(line.place_id != line.taken_from_id for line in hold.lines.all())


def _lines_back(job: Job, holds: Sequence[Hold]) -> list[Line]:
    """The balances that ending these holds touches."""
    receiving = place_of(job.site, PlaceKind.RECEIVING)
    return [
        touched
        for hold in holds
        for line in hold.lines.all()
        if line.place_id != line.taken_from_id
        for touched in transfer(
            source=line.place,
            target=receiving if line.taken_from.retired_at else line.taken_from,
            family_id=line.family_id,
            thickness_nm=line.thickness_nm,
            condition=line.condition,
            quantity=line.quantity,
        )
    ]


def _lines_out_of_tray(job: Job) -> list[Line]:
    """The balances that clearing the tray after it would touch."""
    inspection, receiving = place_of(job.site, PlaceKind.INSPECTION), place_of(job.site, PlaceKind.RECEIVING)
    return [
        touched
        for balance in Balance.objects.filter(place=job.tray, on_hand__gt=0)
        for touched in transfer(
            source=job.tray,
            target=receiving if balance.condition == Condition.NEW else inspection,
            family_id=balance.family_id,
            thickness_nm=balance.thickness_nm,
            condition=balance.condition,
            quantity=1,
        )
    ]
