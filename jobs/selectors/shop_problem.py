"""A whole site as the shop's planner sees it: open engines, what lies in trays and bins, what is on order.

The number of queries does not depend on how many jobs there are.
"""

import uuid
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from fractions import Fraction

from django.db.models import F, Q

from inventory.models import Balance, Condition, Hold, HoldLine, PlaceKind, PurchaseLine
from inventory.selectors.stock import PLANNABLE
from jobs.compute.planner import Condition as PlannerCondition
from jobs.compute.planner.types import Valve
from jobs.compute.shopplan import (
    OpenJob,
    Pin,
    ShopProblem,
    TrayShim,
    in_one_tray,
    job_weight,
)
from jobs.models import ClearanceReading, HandOver, Job, JobValve, Plan, PlanLine
from jobs.models.shop_plan import LIVE
from jobs.selectors.own_holds import own_lines, shims_for
from jobs.selectors.problem import uncertainty, valve_of
from jobs.selectors.readings import current_readings, opens_nothing
from jobs.selectors.shop_stock import lots_of, on_order, set_aside
from shop.models import Site

CLOSED = (Job.State.SIGNED_OFF, Job.State.STOPPED)
MAY_MOVE = frozenset({Job.State.WAITING, Job.State.HELD})
"""Of these a manager may have the accepted plan made anew: nothing of it was carried anywhere yet."""
GONE = "gone:"
"""Begins the key of a stand-in for a job that is over and whose engine has a shim of one that is open."""

Held = Mapping[tuple[uuid.UUID, str], HoldLine]


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """An open job that the plan has nothing to say of, and why, in a sentence."""

    job: Job
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteProblem:
    """`problem.lots[i]` is what is available of `balances[i]`, `problem.ordered[i]` what is free of
    `lines[i]`. A job's key in the problem is its id. `jobs` are those that something is planned for; the
    problem has engines without valves besides: jobs that are left out, for what lies loose in their trays."""

    problem: ShopProblem
    jobs: tuple[Job, ...]
    balances: tuple[Balance, ...]
    lines: tuple[PurchaseLine, ...]
    moved: frozenset[uuid.UUID]
    """Jobs whose accepted plan is made anew."""
    left_out: tuple[LeftOut, ...]


@dataclass(slots=True, kw_only=True)
class _Books:
    """What the jobs have: by job id."""

    valves: dict[uuid.UUID, list[JobValve]]
    readings: dict[uuid.UUID, ClearanceReading]
    plans: dict[uuid.UUID, Plan]
    gives: list[HandOver]
    held: dict[tuple[uuid.UUID, str], HoldLine]
    trays: dict[uuid.UUID, list[Balance]]


def name_of(job: Job) -> str:
    """What people call an open job: the bay that it is in."""
    return f"bay {job.bay.number}" if job.bay else f"job {job.number}"


def site_problem(site: Site, *, at: datetime, move_accepted: bool = False) -> SiteProblem:
    """Everything that one plan for the site is made from, as it stands now."""
    jobs = list(
        Job.objects.filter(site=site)
        .exclude(state__in=CLOSED)
        .select_related("site", "vehicle", "family", "bay", "tray")
        .order_by("number")
    )
    books = _books(jobs)
    left_out = [LeftOut(job=job, because=why) for job in jobs if (why := _left_out(job, books))]
    out = {entry.job.pk for entry in left_out}
    planned = [job for job in jobs if job.pk not in out]
    moved = _moved(planned, books) if move_accepted else frozenset()
    families = {job.family_id for job in planned}
    of_plans = _of_plans(moved, books)
    freed = [line for line in of_plans if line.place.kind == PlaceKind.BIN]
    taken = {line.pk for line in of_plans}
    own = [line for line in own_lines(planned, at=at, anew=moved) if line.pk not in taken]
    balances, lots = lots_of(site, families, freed, own)
    lines, ordered = on_order(site, families, moved)
    keys = {job.pk for job in planned}
    open_jobs = [_open_job(job, books, moved, keys, at) for job in planned]
    givers = [entry.job for entry in left_out if entry.job.family_id in families]
    open_jobs += [giver for job in givers if (giver := _tray_of(job, books)).tray]
    problem = ShopProblem(
        jobs=(*open_jobs, *_stand_ins(planned, books, moved)),
        lots=tuple(lots),
        ordered=tuple(ordered),
        catalogue={job.family.code: job.family.sizes_nm() for job in planned},
        aside=tuple(set_aside(site, families, freed, own)),
        uncertainty=uncertainty(),
    )
    return SiteProblem(
        problem=problem,
        jobs=tuple(planned),
        balances=tuple(balances),
        lines=tuple(lines),
        moved=moved,
        left_out=tuple(left_out),
    )


def _books(jobs: Sequence[Job]) -> _Books:
    ids = [job.pk for job in jobs]
    valves: dict[uuid.UUID, list[JobValve]] = defaultdict(list)
    for valve in JobValve.objects.filter(job__in=ids).order_by("job", "order"):
        valves[valve.job_id].append(valve)
    plans = Plan.objects.filter(job__in=ids, state=Plan.State.ACCEPTED).prefetch_related("lines")
    held_lines = HoldLine.objects.filter(hold__job_id__in=ids, hold__state=Hold.State.HELD)
    trays: dict[uuid.UUID, list[Balance]] = defaultdict(list)
    loose = Balance.objects.filter(
        place__in=[job.tray_id for job in jobs], condition__in=PLANNABLE, on_hand__gt=F("held")
    )
    for balance in loose.order_by("thickness_nm", "condition"):
        trays[balance.place_id].append(balance)
    return _Books(
        valves=valves,
        readings=current_readings([valve for some in valves.values() for valve in some]),
        plans={plan.job_id: plan for plan in plans},
        gives=list(
            HandOver.objects.filter(Q(from_job__in=ids) | Q(to_job__in=ids))
            .exclude(state=HandOver.State.RELEASED)
            .select_related("to_job")
            .order_by("promised_at", "id")
        ),
        held={
            (line.hold.job_id, line.label): line
            for line in held_lines.select_related("hold", "place").order_by("id")
        },
        trays=trays,
    )


def _left_out(job: Job, books: _Books) -> str:
    """Why nothing can be planned for the job; "" where something can."""
    if job.pk in books.plans:
        return ""
    valves = books.valves[job.pk]
    unread = [
        valve.label
        for valve in valves
        if valve.pk not in books.readings and valve.adjust != JobValve.Adjust.NEVER
    ]
    if not any(valve.pk in books.readings for valve in valves):
        return "Not read yet."
    if unread:
        return f"Not read yet: {', '.join(unread)}."
    if job.round and all(opens_nothing(valve, books.readings.get(valve.pk)) for valve in valves):
        return "Fitted and in spec: it can be signed off."
    return ""


def _moved(jobs: Sequence[Job], books: _Books) -> frozenset[uuid.UUID]:
    carried = {row.from_job_id for row in books.gives if row.state != HandOver.State.PROMISED or row.hold_id}
    carried |= {row.to_job_id for row in books.gives if row.state != HandOver.State.PROMISED or row.hold_id}
    return frozenset(
        job.pk for job in jobs if job.state in MAY_MOVE and job.pk in books.plans and job.pk not in carried
    )


def _of_plans(moved: frozenset[uuid.UUID], books: _Books) -> list[HoldLine]:
    """What the accepted plans of moved jobs hold, one entry for each shim."""
    if not moved:
        return []
    holds: dict[uuid.UUID, list[Hold]] = defaultdict(list)
    rows = Hold.objects.filter(job_id__in=moved, state=Hold.State.HELD).prefetch_related("lines__place")
    for hold in rows.order_by("pk"):
        holds[hold.job_id].append(hold)
    return [line for pk in moved for line in shims_for(books.plans[pk], holds[pk]).values()]


def _open_job(
    job: Job, books: _Books, moved: frozenset[uuid.UUID], keys: set[uuid.UUID], at: datetime
) -> OpenJob:
    plan = None if job.pk in moved else books.plans.get(job.pk)
    promised_in: timedelta | None = None if job.promised_at is None else job.promised_at - at
    return OpenJob(
        key=str(job.pk),
        family=job.family.code,
        name=name_of(job),
        valves=tuple(_valves(books.valves[job.pk], books)),
        lash_ratio=Fraction(job.lash_ratio),
        weight=job_weight(priority=job.priority, promised_in=promised_in),
        on_bench=job.bay_id is not None,
        tray=_loose(job, books),
        pins=() if plan is None else tuple(_pins(job, plan, books, keys)),
    )


def _tray_of(job: Job, books: _Books) -> OpenJob:
    """An engine of which nothing can be planned, for what lies loose in its tray."""
    return OpenJob(
        key=str(job.pk),
        family=job.family.code,
        name=name_of(job),
        valves=(),
        on_bench=job.bay_id is not None,
        tray=_loose(job, books),
    )


def _loose(job: Job, books: _Books) -> tuple[TrayShim, ...]:
    lying = [
        TrayShim(
            thickness_nm=balance.thickness_nm,
            known_by="measured" if balance.condition == Condition.USED else "marked",
            quantity=balance.on_hand - balance.held,
        )
        for balance in books.trays[job.tray_id]
        if balance.family_id == job.family_id
    ]
    return in_one_tray(lying, uncertainty())


def _valves(valves: Iterable[JobValve], books: _Books) -> Iterable[Valve]:
    return (valve_of(valve, books.readings[valve.pk]) for valve in valves if valve.pk in books.readings)


def _pins(job: Job, plan: Plan, books: _Books, keys: set[uuid.UUID]) -> Iterable[Pin]:
    """What the accepted plan has settled. Valves that it has no shim for are left open."""
    read = {valve.label for valve in books.valves[job.pk] if valve.pk in books.readings}
    gives = {row.from_label for row in books.gives if row.from_job_id == job.pk and row.from_label}
    for line in plan.lines.all():
        if line.label not in read or line.action == "measure":
            continue
        if line.action == "unresolved" or (line.action == "keep" and line.label in gives):
            continue
        yield _pin(job, line, books, keys)


def _pin(job: Job, line: PlanLine, books: _Books, keys: set[uuid.UUID]) -> Pin:
    key = (job.pk, line.label)
    if line.action == "keep":
        return Pin(line.label, "keep", line.thickness_nm)
    if line.action == "swap" and not line.handed_over:
        return Pin(line.label, "swap", line.thickness_nm, None, str(job.pk), line.from_valve)
    row = _row_for(job, line, books)
    if row is not None and row.from_job_id in keys and _still_in_engine(row, books):
        return Pin(line.label, "swap", line.thickness_nm, None, str(row.from_job_id), row.from_label)
    held = books.held.get(key)
    if held is not None:
        # One that is held counts as its condition does: measured as used, by its marking as new.
        used = held.condition == Condition.USED
        return Pin(line.label, "stock", line.thickness_nm, "used" if used else "new")
    if line.action == "order":
        return Pin(line.label, "order", line.thickness_nm)
    if line.action == "buy":
        return Pin(line.label, "buy", line.thickness_nm)
    return Pin(line.label, "stock", line.thickness_nm, _condition(line.condition))


def _condition(condition: str) -> PlannerCondition:
    return "used" if condition == Condition.USED else "new"


def _row_for(job: Job, line: PlanLine, books: _Books) -> HandOver | None:
    return next(
        (
            row
            for row in books.gives
            if row.to_job_id == job.pk and row.to_label == line.label and row.state in LIVE
        ),
        None,
    )


def _still_in_engine(row: HandOver, books: _Books) -> bool:
    """Whether the books of the giver have this shim in that valve: it was not fitted since."""
    return bool(row.from_label) and any(
        valve.label == row.from_label and valve.fit_round <= row.from_round and valve.pk in books.readings
        for valve in books.valves.get(row.from_job_id, ())
    )


def _stand_ins(jobs: Sequence[Job], books: _Books, moved: frozenset[uuid.UUID]) -> Iterable[OpenJob]:
    """For a shim that went into another engine while its own is not fitted yet, an engine that has it: so the
    valve that it came out of counts as empty."""
    by_id = {job.pk: job for job in jobs}
    for row in books.gives:
        giver = by_id.get(row.from_job_id)
        if giver is None or not row.out or not _still_in_engine(row, books):
            continue
        taker = by_id.get(row.to_job_id)
        if row.state in LIVE and taker is not None and taker.pk in books.plans and taker.pk not in moved:
            continue
        valve = next(valve for valve in books.valves[giver.pk] if valve.label == row.from_label)
        yield stand_in(giver, valve_of(valve, books.readings[valve.pk]), str(row.pk))


def stand_in(giver: Job, valve: Valve, key: str) -> OpenJob:
    """An engine of one valve that has the shim of this one."""
    thickness = 0 if valve.shim is None else valve.shim.thickness_nm
    return OpenJob(
        key=f"{GONE}{key}",
        family=giver.family.code,
        name="another engine",
        # Read as it should be, so that the same thickness again is right; its old shim is nobody's to take.
        valves=(replace(valve, adjust="never", passes_nm=valve.aim_nm, stops_nm=valve.aim_nm + 1),),
        lash_ratio=Fraction(giver.lash_ratio),
        pins=(Pin(valve.label, "swap", thickness, None, str(giver.pk), valve.label),),
    )
