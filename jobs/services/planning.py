"""Plan a job, hold what the plan takes, give it free again."""

from datetime import datetime

from django.db.models import Max

from inventory.compute.lengths import show
from inventory.models import Hold, PlaceKind
from inventory.services.fitting import OneShim
from inventory.services.handing_over import hold_in_tray
from inventory.services.holds import Wanted, expire_due_holds, hold_shims
from inventory.services.ledger import Line
from inventory.services.purchasing import Lack, note_needs
from inventory.services.texts import text_errors
from jobs.compute.alternatives import WISHES, Wish
from jobs.compute.planner import Choice, plan_engine
from jobs.compute.reasons import why_not_nearer, worth_having
from jobs.models import Job, JobValve, Plan, PlanLine
from jobs.selectors.plans import nothing_to_fit
from jobs.selectors.problem import JobProblem, problem_of, unread
from jobs.selectors.set_aside import set_aside_from
from jobs.selectors.would_do import would_do
from jobs.services.events import counted, cut
from jobs.services.handing_over import refuse_alone_while_empty, refuse_while_empty
from jobs.services.own_holds import take_over_for
from jobs.services.promises import (
    accepted_plan,
    end_promises,
    lock_shims,
    lock_stock,
    put_aside,
    put_aside_proposed,
)
from jobs.services.refusals import pointer, refuse
from jobs.services.states import Act
from jobs.services.steps import begin, finish
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import Conflict, FieldError, NotEnough, WrongState

WISH_WORDS: dict[str, str] = {
    "usual": "the usual way",
    "fewest_opened": "as few valves opened as can be",
    "buy_nothing": "nothing bought",
    "closest": "as close to the aim as can be",
    "no_used": "no used shims from bins",
}


@write_transaction
def plan_job(
    *, job: Job, actor: Actor, at: datetime, wish: Wish = "usual", version: int | None = None
) -> Plan:
    """Propose the best plan under a wish from what is in the engine and its tray and available at the site.

    Earlier proposals are out of date with it. After a fit it rests on the readings after. Raises Conflict,
    code `readings-missing`, naming the valves that must be read first.
    """
    job = begin(job, Act.PLAN, actor=actor, at=at, version=version)
    refuse_alone_while_empty(job)
    _refuse_unread(job)
    expire_due_holds(site=job.site, at=at)
    asked = problem_of(job)
    preference = WISHES[wish]
    best = plan_engine(asked.problem, preference)
    nearer = why_not_nearer(asked.problem, best, set_aside_from(job), preference)
    one_more = worth_having(asked.problem, best, job.family.sizes_nm(), preference)
    put_aside_proposed(job, "A newer plan was made.")
    plan = Plan.objects.create(
        job=job,
        number=(job.plans.aggregate(last=Max("number"))["last"] or 0) + 1,
        round=job.round,
        created_at=at,
        created_by=actor.label,
        wish=wish,
        worth_having=[one.say for one in one_more],
        **best.score._asdict(),
    )
    left_over = {left.label for left in best.left_over}
    lines = [_line(plan, asked, choice, left_over) for choice in best.choices]
    lines += [_left_alone(plan, valve) for valve in asked.left_out]
    order = {valve.label: valve.order for valve in job.valves.all()}
    for line in lines:
        line.order = order[line.label]
        line.why_not = cut(nearer.get(line.label, ""), PlanLine, "why_not")
    PlanLine.objects.bulk_create(lines)
    job.state = Job.State.PLANNED
    finish(job, Act.PLAN, actor=actor, at=at, text=_in_words(plan))
    return plan


def accept_plan(*, plan: Plan, actor: Actor, at: datetime, version: int | None = None) -> Plan:
    """Hold every shim that the plan takes from stock and note what is to be bought: all of it or nothing.

    The job is then held, or waits for what is bought. Raises NotEnough, naming the valves whose shims are
    gone; the plan is out of date then, and that stays written although nothing else is. Raises Conflict, code
    `plan-stale`, for a plan that was out of date before, WrongState for one with nothing to fit.
    """
    try:
        return _accept(plan=plan, actor=actor, at=at, version=version)
    except NotEnough as gone:
        # In a transaction of its own: the one that found the shims gone has been rolled back with its locks.
        _put_aside_gone(plan=plan, because=gone.message, at=at)
        raise


@write_transaction
def release_plan(*, job: Job, actor: Actor, at: datetime, note: str = "", version: int | None = None) -> Job:
    """Give the plan's holds and needs free; shims that were handed out go back to their bins. What is held by
    hand beside its plan stays so.

    The plan is a proposal again: as long as the readings stand, it may be held again.
    """
    job = begin(job, Act.RELEASE, actor=actor, at=at, version=version)
    refuse(text_errors(Hold, "note", note, "/note"), "The plan was not released")
    refuse_while_empty(job)
    plan = accepted_plan(job)
    if plan is None:
        raise WrongState(f"{job} has no plan whose shims are held. Plan, then hold.")
    end_promises(job, plan=plan, actor=actor, at=at, note=note)
    job.refresh_from_db(fields=["version"])
    job.plans.filter(state=Plan.State.ACCEPTED).update(state=Plan.State.PROPOSED, hold=None)
    job.state = Job.State.PLANNED
    text = "Released the plan: its shims are free for others."
    return finish(job, Act.RELEASE, actor=actor, at=at, text=f"{text} {note}".strip())


@write_transaction
def _accept(*, plan: Plan, actor: Actor, at: datetime, version: int | None) -> Plan:
    job = begin(plan.job, Act.ACCEPT, actor=actor, at=at, version=version)
    plan = job.plans.prefetch_related("lines__from_place").get(pk=plan.pk)
    _refuse_out_of_date(job, plan)
    lines = list(plan.lines.all())
    if nothing := nothing_to_fit(lines):
        raise WrongState(nothing)
    stock = [line for line in lines if line.action == "stock"]
    tray = [line for line in lines if line.action == "tray"]
    buy = [line for line in lines if line.action == "buy"]
    note_needs(
        site=job.site,
        at=at,
        family=job.family,
        job_id=job.pk,
        job_label=str(job),
        needed_by=job.promised_at,
        lacks=_lacks(job, buy),
    )
    own = _take_own(job, stock, tray, actor, at) if stock or tray else {}
    lacking = [line for line in stock if line.label not in own]
    plan.hold = _hold(job, lacking, actor, at) if lacking else next(iter(own.values()), None)
    for line in tray:
        if line.label not in own:
            _hold_loose(job, line, actor, at)
    plan.state = Plan.State.ACCEPTED
    plan.save(update_fields=["state", "hold"])
    job.state = Job.State.WAITING if buy else Job.State.HELD
    text = f"Plan {plan.number}: {counted(len(stock), 'shim')} held"
    if buy:
        text += ", to buy: " + ", ".join(f"{show(line.gets_nm)} mm for {line.label}" for line in buy)
    finish(job, Act.ACCEPT, actor=actor, at=at, text=f"{text}.")
    return plan


def _lacks(job: Job, buy: list[PlanLine]) -> list[Lack]:
    """What is to be bought, each with the sizes that would do as well."""
    if not buy:
        return []
    others = would_do(job, [(line.label, line.gets_nm) for line in buy])
    nothing_else: tuple[tuple[int, ...], str] = ((), "exact")
    return [
        Lack(thickness_nm=line.gets_nm, valve_label=line.label, would_do_nm=sizes, window=window)
        for line in buy
        for sizes, window in [others.get(line.label, nothing_else)]
    ]


def _take_own(
    job: Job, stock: list[PlanLine], tray: list[PlanLine], actor: Actor, at: datetime
) -> dict[str, Hold]:
    """By label, the holds that stood for the job before and that the plan takes over. Locks what else the
    plan takes."""
    locked = lock_shims(job, at)
    taken = take_over_for(job, (*stock, *tray), locked.held, by=actor.label, at=at)
    lock_stock(
        locked,
        [
            Line(
                place=line.bin if line.action == "stock" else job.tray,
                family_id=job.family_id,
                thickness_nm=line.gets_nm,
                condition=line.condition,
                quantity=-1,
            )
            for line in (*stock, *tray)
            if line.label not in taken
        ],
    )
    return {label: line.hold for label, line in taken.items()}


def _hold(job: Job, stock: list[PlanLine], actor: Actor, at: datetime) -> Hold:
    try:
        return hold_shims(
            site=job.site,
            actor=actor,
            at=at,
            lines=[
                Wanted(
                    place=line.bin,
                    family_id=job.family_id,
                    thickness_nm=line.gets_nm,
                    condition=line.condition,
                    quantity=1,
                    label=line.label,
                )
                for line in stock
            ],
            reference=str(job),
            job_id=job.pk,
        )
    except NotEnough as gone:
        # The hold counts its own lines; the person at the bay knows valves.
        errors = [_for_valve(error, stock) for error in gone.errors]
        details = "; ".join(error.detail for error in errors)
        raise NotEnough(
            f"The stock changed since this plan was made. {details}. Nothing was held: plan again.",
            errors=errors,
        ) from gone


def _hold_loose(job: Job, line: PlanLine, actor: Actor, at: datetime) -> None:
    """Hold what lies in the job's own tray where it lies."""
    hold_in_tray(
        site=job.site,
        actor=actor,
        at=at,
        tray=job.tray,
        shim=OneShim(family_id=job.family_id, thickness_nm=line.gets_nm, condition=line.condition),
        job_id=job.pk,
        reference=str(job),
        label=line.label,
    )


def _for_valve(error: FieldError, stock: list[PlanLine]) -> FieldError:
    label = stock[int(error.pointer.rpartition("/")[2])].label
    return FieldError(pointer("valves", label), f"{label}: {error.detail}")


@write_transaction
def _put_aside_gone(*, plan: Plan, because: str, at: datetime) -> None:
    """Mark the plan as out of date, unless somebody has done something else with it meanwhile."""
    job = Job.objects.select_for_update(of=("self",)).get(pk=plan.job_id)
    gone = job.plans.filter(pk=plan.pk, state=Plan.State.PROPOSED).first()
    if gone is not None:
        put_aside(gone, because, at)


def _refuse_unread(job: Job) -> None:
    missing = unread(list(job.valves.order_by("order")))
    if not missing:
        return
    since = " since the last fit" if job.round else ""
    raise Conflict(
        f"Not read{since}: {', '.join(valve.label for valve in missing)}. "
        "Key in their clearances, or mark a valve that is not to be opened as never.",
        code="readings-missing",
        errors=[FieldError(pointer("readings", valve.label), f"not read{since}") for valve in missing],
    )


def _refuse_out_of_date(job: Job, plan: Plan) -> None:
    if plan.state == Plan.State.PROPOSED and plan.round == job.round:
        return
    because = plan.stale_because or f"It is {plan.get_state_display().lower()}."
    raise Conflict(f"This plan is out of date. {because} Plan again.", code="plan-stale")


def _line(plan: Plan, asked: JobProblem, choice: Choice, left_over: set[str]) -> PlanLine:
    own = next(valve.shim for valve in asked.problem.valves if valve.label == choice.label)
    place = None if choice.from_lot is None else asked.balances[choice.from_lot].place
    in_tray = place is not None and place.kind == PlaceKind.TRAY
    return PlanLine(
        plan=plan,
        order=0,
        label=choice.label,
        verdict=choice.verdict,
        action="tray" if in_tray else choice.action,
        thickness_nm=choice.thickness_nm,
        condition=choice.condition or "",
        from_valve=choice.from_valve or "",
        from_place=None if in_tray else place,
        own_nm=None if own is None else own.thickness_nm,
        low_nm=choice.low_nm,
        called_nm=choice.called_nm,
        high_nm=choice.high_nm,
        guaranteed=choice.guaranteed,
        left_over=choice.label in left_over,
        why=choice.why,
    )


def _left_alone(plan: Plan, valve: JobValve) -> PlanLine:
    """A valve that is never opened and was not read."""
    return PlanLine(
        plan=plan,
        order=0,
        label=valve.label,
        action="keep",
        thickness_nm=valve.shim_nm,
        own_nm=valve.shim_nm,
        why="Marked never to be opened, and not read; its shim stays.",
    )


def _in_words(plan: Plan) -> str:
    parts = [f"{plan.opened} to open"]
    if plan.bought:
        parts.append(f"{plan.bought} to buy")
    if plan.unresolved:
        parts.append(f"{plan.unresolved} without a shim")
    wish = "" if plan.wish == "usual" else f" ({WISH_WORDS[plan.wish]})"
    return f"Plan {plan.number}{wish}: {', '.join(parts)}."
