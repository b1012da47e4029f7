"""Accept a plan for the whole shop: everything that it takes is held, or nothing is.

Lock law: all jobs of the plan with their partners by id, the plan, purchase lists by id, hold rows by id,
balances in their order, each kind by one statement before anything is written.
"""

import uuid
from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from django.db import IntegrityError
from django.db.models import Max, Q

from inventory.compute.lengths import show
from inventory.models import Condition, Hold, Place, PurchaseLine, PurchaseList
from inventory.services.fitting import OneShim
from inventory.services.handing_over import hold_in_tray
from inventory.services.hold_state import lock_holds
from inventory.services.holds import hold_shims
from inventory.services.ledger import Line, ShimKey, give_free, lock_balances
from inventory.services.purchasing import Lack, note_needs
from jobs.models import HandOver, Job, JobValve, Plan, PlanLine, ShopPlan
from jobs.selectors.own_holds import AT_WORK
from jobs.selectors.shop_changes import changes_since
from jobs.selectors.shop_problem import SiteProblem, site_problem
from jobs.selectors.shop_stock import free_on_order
from jobs.selectors.would_do import would_do
from jobs.services.events import counted, cut, note_event
from jobs.services.handing_over import lock_with_partners, where
from jobs.services.own_holds import take_over_for
from jobs.services.promises import accepted_plan, end_promises, put_aside, put_aside_proposed
from jobs.services.shop_records import Json
from jobs.services.shop_shares import Share, plan_lines, shares_of, wanted_of
from jobs.services.shop_staleness import touch_job
from jobs.services.states import Act
from shop.actor import Actor
from shop.db import by_now, write_transaction
from shop.errors import Conflict, FieldError, NotEnough, WrongState
from shop.roles import Action

_SCORE = ("unresolved", "bought", "not_guaranteed", "opened", "stock_cost", "deviation_nm", "awaited")


class _MovedOn(Exception):
    """The shop is no longer as the plan has it; holds the sentences."""

    def __init__(self, said: Sequence[str]) -> None:
        super().__init__()
        self.said = list(said)


def accept_shop_plan(*, plan: ShopPlan, actor: Actor, at: datetime) -> ShopPlan:
    """Hold every shim that the plan takes, promise those that go from one engine to another, and note what is
    to be bought: for all its jobs or for none.

    Raises Conflict, code `plan-stale`, saying what changed when the shop moved on since the plan was made;
    it is out of date then, and that stays written although nothing else is. Raises WrongState for a plan that
    is not proposed or that takes nothing.
    """
    try:
        return _accept(plan=plan, actor=actor, at=at)
    except _MovedOn as moved:
        said = moved.said
    except (NotEnough, IntegrityError):
        # Somebody was quicker, between our look and our locks.
        said = _look_again(plan=plan, at=at)
    _put_aside(plan=plan, because=" ".join(said))
    raise Conflict(
        f"Nothing was held: the shop moved on since {plan} was made. {' '.join(said)} Make a new plan.",
        code="plan-stale",
        errors=[FieldError("", sentence) for sentence in said],
        extra={"shop_plan": str(plan.pk)},
    )


@write_transaction
def _accept(*, plan: ShopPlan, actor: Actor, at: datetime) -> ShopPlan:
    actor.must(Action.HOLD, plan.site)
    if plan.move_accepted:
        actor.must(Action.MOVE_ACCEPTED, plan.site)
    jobs = lock_with_partners(plan.jobs.values_list("job_id", flat=True))
    plan = ShopPlan.objects.select_for_update(of=("self",)).select_related("site").get(pk=plan.pk)
    _refuse_not_proposed(plan)
    lines = _lock_lists(plan)
    overdue = _lock_holds(plan, jobs, at)
    now = site_problem(plan.site, at=at, move_accepted=plan.move_accepted)
    if said := changes_since(plan, now):
        raise _MovedOn(said)
    shares = shares_of(plan, jobs)
    if not shares:
        raise WrongState(f"{plan} takes nothing that could be held: there is nothing to accept.")
    places = Place.objects.in_bulk([uuid.UUID(lot["place"]) for lot in plan.places["lots"]])
    valves = _valves(shares)
    _lock_stock(plan, shares, places, valves, overdue, jobs)
    for share in shares:
        if str(share.job.pk) in plan.places["moved"]:
            _release(share.job, plan, actor, at)
    accepted = {share.job.pk: _accept_job(plan, share, places, lines, actor, at) for share in shares}
    for share in shares:
        _promise_hand_overs(share, accepted[share.job.pk], jobs, valves, actor, at)
    plan.state = ShopPlan.State.ACCEPTED
    plan.accepted_at, plan.accepted_by = at, actor.label
    plan.save(update_fields=["state", "accepted_at", "accepted_by"])
    for share in shares:
        _note(plan, share, jobs, actor, at)
    return plan


def _refuse_not_proposed(plan: ShopPlan) -> None:
    if plan.state == ShopPlan.State.PROPOSED:
        return
    if plan.state == ShopPlan.State.STALE:
        raise Conflict(
            f"{plan} is out of date. {plan.stale_because} Make a new plan.",
            code="plan-stale",
            extra={"shop_plan": str(plan.pk)},
        )
    raise WrongState(
        f"{plan} is {plan.get_state_display().lower()}; only a proposed plan is accepted.",
        extra={"state": str(plan.state)},
    )


def _lock_lists(plan: ShopPlan) -> dict[str, PurchaseLine]:
    """The purchase lines that the plan counts on, their lists locked."""
    wanted = {entry["list"] for entry in plan.places["ordered"]}
    if not wanted:
        return {}
    list(PurchaseList.objects.select_for_update(of=("self",)).filter(pk__in=wanted).order_by("pk"))
    return {str(line.pk): line for line in free_on_order(plan.site)}


def _lock_holds(plan: ShopPlan, jobs: Mapping[uuid.UUID, Job], at: datetime) -> dict[ShimKey, int]:
    """The site's overdue holds, which expire, those of jobs that are planned anew, and what is held by hand
    for the others; what the overdue ones promised."""
    by_hand = [pk for pk, job in jobs.items() if job.state not in AT_WORK]
    mine = Q(job_id__in=[*plan.places["moved"], *by_hand]) | Q(site=plan.site, expires_at__lte=by_now(at))
    list(Hold.objects.select_for_update(of=("self",)).filter(mine, state=Hold.State.HELD).order_by("pk"))
    return lock_holds(site=plan.site, at=at).freed


def _valves(shares: Sequence[Share]) -> dict[tuple[str, str], JobValve]:
    """The valves that shims come out of, by job and label."""
    givers = {choice["from_job"] for share in shares for choice in share.of("swap")}
    rows = JobValve.objects.filter(job__in=givers)
    return {(str(valve.job_id), valve.label): valve for valve in rows}


def _lock_stock(
    plan: ShopPlan,
    shares: Sequence[Share],
    places: Mapping[uuid.UUID, Place],
    valves: Mapping[tuple[str, str], JobValve],
    overdue: Mapping[ShimKey, int],
    jobs: Mapping[uuid.UUID, Job],
) -> None:
    """Lock every balance that is promised or given free below, in the one order."""
    lines = [
        Line(
            place=places[want.place.pk],
            family_id=want.family_id,
            thickness_nm=want.thickness_nm,
            condition=want.condition,
            quantity=-1,
        )
        for share in shares
        for want in wanted_of(plan, share, places)
    ]
    moved = Hold.objects.filter(job_id__in=plan.places["moved"], state=Hold.State.HELD)
    for hold in moved.prefetch_related("lines__place"):
        for line in hold.lines.all():
            lines.append(
                Line(
                    place=line.place,
                    family_id=line.family_id,
                    thickness_nm=line.thickness_nm,
                    condition=line.condition,
                    quantity=-line.quantity,
                )
            )
    for share in shares:
        for choice in share.of("tray"):
            lines.append(
                Line(
                    place=jobs[uuid.UUID(choice["from_job"])].tray,
                    family_id=share.job.family_id,
                    thickness_nm=choice["thickness_nm"],
                    condition=_in_tray(jobs[uuid.UUID(choice["from_job"])], choice),
                    quantity=-1,
                )
            )
    lock_balances(lines, overdue)
    for key, quantity in sorted(overdue.items()):
        give_free(key, quantity)


def _release(job: Job, plan: ShopPlan, actor: Actor, at: datetime) -> None:
    """End what the job's accepted plan promised it: a manager has it planned anew."""
    because = f"{plan} plans it anew."
    old = accepted_plan(job)
    if old is not None:
        end_promises(job, plan=old, actor=actor, at=at, note=because)
        put_aside(old, because, at)


def _accept_job(
    plan: ShopPlan,
    share: Share,
    places: Mapping[uuid.UUID, Place],
    lines: Mapping[str, PurchaseLine],
    actor: Actor,
    at: datetime,
) -> Plan:
    """The job's own plan, accepted, with what is held and lacking for it."""
    job, made = share.job, share.made
    put_aside_proposed(job, f"{plan} was accepted.")
    mine = Plan.objects.create(
        job=job,
        shop_plan=plan,
        number=(job.plans.aggregate(last=Max("number"))["last"] or 0) + 1,
        round=job.round,
        state=Plan.State.ACCEPTED,
        created_at=plan.created_at,
        created_by=plan.created_by,
        **{name: made["score"][name] for name in _SCORE},
    )
    PlanLine.objects.bulk_create(plan_lines(plan, share, mine, places))
    bought = list(share.of("buy", "order"))
    others = would_do(job, [(choice["label"], choice["thickness_nm"]) for choice in bought]) if bought else {}
    lacks = [
        Lack(
            thickness_nm=choice["thickness_nm"],
            valve_label=choice["label"],
            line=_purchase_line(plan, choice, lines),
            would_do_nm=sizes,
            window=window,
        )
        for choice in bought
        for sizes, window in [others.get(choice["label"], ((), "exact"))]
    ]
    note_needs(
        site=plan.site,
        at=at,
        family=job.family,
        job_id=job.pk,
        job_label=str(job),
        needed_by=job.promised_at,
        lacks=lacks,
    )
    own = take_over_for(
        job, mine.lines.select_related("from_place"), _by_hand(plan, job), by=actor.label, at=at
    )
    wanted = [want for want in wanted_of(plan, share, places) if want.label not in own]
    if wanted:
        mine.hold = hold_shims(
            site=plan.site, actor=actor, at=at, lines=wanted, reference=str(job), job_id=job.pk
        )
    elif own:
        mine.hold_id = next(iter(own.values())).hold_id
    mine.save(update_fields=["hold"])
    for choice in share.of("tray"):
        if choice["from_job"] == str(job.pk) and choice["label"] not in own:
            _hold_in_tray(job, job, choice, actor, at)
    job.state = Job.State.WAITING if lacks else Job.State.HELD
    return mine


def _by_hand(plan: ShopPlan, job: Job) -> list[Hold]:
    """What is held for a job whose plan was not accepted yet, or is made anew and was released; locked
    before."""
    if job.state in AT_WORK and str(job.pk) not in plan.places["moved"]:
        return []
    rows = Hold.objects.filter(job_id=job.pk, state=Hold.State.HELD)
    return list(rows.prefetch_related("lines__place").order_by("pk"))


def _purchase_line(plan: ShopPlan, choice: Json, lines: Mapping[str, PurchaseLine]) -> PurchaseLine | None:
    if choice["action"] != "order":
        return None
    return lines[plan.places["ordered"][choice["from_lot"]]["line"]]


def _promise_hand_overs(
    share: Share,
    mine: Plan,
    jobs: Mapping[uuid.UUID, Job],
    valves: Mapping[tuple[str, str], JobValve],
    actor: Actor,
    at: datetime,
) -> None:
    """A promise for each shim that comes from another job; one in its tray is held there at once."""
    for choice in share.from_others:
        giver = jobs[uuid.UUID(choice["from_job"])]
        in_valve = choice["action"] == "swap"
        if in_valve:
            condition = valves[choice["from_job"], choice["from_label"]].shim_condition
        else:
            condition = _in_tray(giver, choice)
        HandOver.objects.create(
            plan=mine,
            from_job=giver,
            from_label=choice["from_label"] or "",
            from_round=giver.round,
            to_job=share.job,
            to_label=choice["label"],
            thickness_nm=choice["thickness_nm"],
            condition=condition,
            hold=None if in_valve else _hold_in_tray(giver, share.job, choice, actor, at),
            promised_at=at,
            promised_by=actor.label,
        )
        mine.lines.filter(label=choice["label"]).update(condition=condition)


def _hold_in_tray(giver: Job, taker: Job, choice: Json, actor: Actor, at: datetime) -> Hold:
    condition = _in_tray(giver, choice)
    shim = OneShim(family_id=taker.family_id, thickness_nm=choice["thickness_nm"], condition=condition)
    PlanLine.objects.filter(plan__job=taker, plan__state=Plan.State.ACCEPTED, label=choice["label"]).update(
        condition=condition
    )
    return hold_in_tray(
        site=taker.site,
        actor=actor,
        at=at,
        tray=giver.tray,
        shim=shim,
        job_id=taker.pk,
        reference=str(taker),
        label=choice["label"],
    )


def _in_tray(giver: Job, choice: Json) -> str:
    """The condition of a loose shim of this thickness in the giver's tray: a measured one first, as the
    planner counts it."""
    found = giver.tray.balances.filter(
        family_id=giver.family_id, thickness_nm=choice["thickness_nm"], on_hand__gt=0
    ).exclude(condition=Condition.UNMEASURED)
    conditions = [balance.condition for balance in found if balance.on_hand > balance.held]
    return Condition.USED if Condition.USED in conditions or not conditions else Condition.NEW


def _note(plan: ShopPlan, share: Share, jobs: Mapping[uuid.UUID, Job], actor: Actor, at: datetime) -> None:
    job = share.job
    said = [f"{plan}: {counted(len(share.of('stock')), 'shim')} held"]
    said += [
        f"{show(choice['thickness_nm'])} mm for {choice['label']} from "
        f"{where(jobs[uuid.UUID(choice['from_job'])])}"
        for choice in share.from_others
    ]
    for action, words in (("order", "on order"), ("buy", "to buy")):
        sizes = Counter(choice["thickness_nm"] for choice in share.of(action))
        said += [f"{words} {many} × {show(nm)} mm" for nm, many in sorted(sizes.items())]
    given = [entry for entry in plan.result["hand_overs"] if entry["from_job"] == str(job.pk)]
    said += [
        f"gives {show(entry['thickness_nm'])} mm of {entry['from_label'] or 'its tray'} to "
        f"{where(jobs[uuid.UUID(entry['to_job'])])}"
        for entry in given
    ]
    job.version += 1
    job.save(update_fields=["state", "version"])
    note_event(job, Act.ACCEPT, by=actor.label, at=at, text=f"{'; '.join(said)}.")
    touch_job(job, f"{job}: {plan} was accepted.")


@write_transaction
def _look_again(*, plan: ShopPlan, at: datetime) -> list[str]:
    fresh = ShopPlan.objects.select_related("site").get(pk=plan.pk)
    now: SiteProblem = site_problem(fresh.site, at=at, move_accepted=fresh.move_accepted)
    return changes_since(fresh, now) or ["Shims that it takes are no longer there."]


@write_transaction
def _put_aside(*, plan: ShopPlan, because: str) -> None:
    changed: dict[str, Any] = {"stale_because": cut(because, ShopPlan, "stale_because")}
    ShopPlan.objects.filter(pk=plan.pk, state=ShopPlan.State.PROPOSED).update(
        state=ShopPlan.State.STALE, **changed
    )
