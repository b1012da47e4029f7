"""Jobs as people ask for them: lists, one job's sheet, the board of bays, what was done on a vehicle.

The number of queries never depends on how many rows there are.
"""

import uuid
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeVar

from django.db.models import Prefetch, Q, QuerySet, prefetch_related_objects

from inventory.compute.lengths import show
from inventory.models import Hold, HoldLine, Need
from jobs.compute.readings import Verdict, verdict
from jobs.models import (
    ClearanceReading,
    EngineItem,
    Fit,
    HandOver,
    Job,
    JobEvent,
    JobValve,
    Plan,
    PlanLine,
    ShimReading,
    Vehicle,
)
from jobs.selectors.own_holds import by_hand
from jobs.selectors.plans import next_step
from jobs.selectors.readings import current_readings
from jobs.services.states import ALLOWED, Act
from shop.errors import NotFound
from shop.models import Bay, Site

CLOSED = (Job.State.SIGNED_OFF, Job.State.STOPPED)
Row = TypeVar("Row", ClearanceReading, ShimReading, Fit)


@dataclass(frozen=True, slots=True, kw_only=True)
class ValveSheet:
    """One valve of a job: where it is, what was keyed in, what is planned, what was fitted."""

    valve: JobValve
    """With its position on the engine; `position` is null for a valve that was keyed in by hand."""
    before: ClearanceReading | None
    """The last reading before the last fit that opened the valve; where none did, before the first fit."""
    after: ClearanceReading | None
    """The last reading since then; None on a job that was not fitted."""
    verdict_before: Verdict | None
    verdict_after: Verdict | None
    readings: tuple[ClearanceReading, ...]
    """Everything that was keyed in, oldest first: corrections do not overwrite."""
    shim_readings: tuple[ShimReading, ...]
    line: PlanLine | None
    """What the sheet's plan says of the valve."""
    fits: tuple[Fit, ...]
    """What was really done, oldest first."""

    @property
    def reading(self) -> ClearanceReading | None:
        """The reading that counts now: of the shim that is in the valve."""
        return self.after or (None if self.valve.fit_round else self.before)

    @property
    def verdict(self) -> Verdict | None:
        """What the reading that counts now says; None for a valve that is to be read."""
        return self.verdict_after or (None if self.valve.fit_round else self.verdict_before)

    @property
    def done(self) -> Fit | None:
        """The last fit of the valve, unless a plan that was made since then opens it again."""
        last = self.fits[-1] if self.fits else None
        if last is None or self.line is None or self.line.action == "keep":
            return last
        return last if last.plan_id == self.line.plan_id else None

    @property
    def to_open(self) -> bool:
        """Whether the plan opens the valve and nobody has fitted it yet: `reading` is planned on then."""
        return self.line is not None and self.line.action != "keep" and self.done is None


@dataclass(frozen=True, slots=True, kw_only=True)
class JobSheet:
    """Everything about one job."""

    job: Job
    valves: tuple[ValveSheet, ...]
    plan: Plan | None
    """The plan at work or proposed, else the last one that was made."""
    events: tuple[JobEvent, ...]
    items: tuple[EngineItem, ...]
    """What else the engine type takes each time."""
    holds: tuple[Hold, ...]
    """The holds that stand, with their lines."""
    by_hand: tuple[HoldLine, ...]
    """What of those holds is beside the accepted plan."""
    needs: tuple[Need, ...]
    """What is to be bought or on its way for the job."""
    hand_overs: tuple[HandOver, ...]
    """Shims that go from this job to another or come from one, but for those that were given up."""
    may: frozenset[Act]
    """The acts that the job's state allows; whether a person's role does is another question."""
    next: str
    """What comes next, in a sentence."""

    @property
    def by_plan(self) -> tuple[HoldLine, ...]:
        """What the holds have for the accepted plan."""
        beside = {line.pk for line in self.by_hand}
        return tuple(line for hold in self.holds for line in hold.lines.all() if line.pk not in beside)

    @property
    def to_read(self) -> tuple[str, ...]:
        """Labels of the valves that are to be read before a plan can be made."""
        return _to_read(self.valves)


@dataclass(frozen=True, slots=True, kw_only=True)
class BayRow:
    """One bay with the job that is in it, None where it is free; or no bay, for a job in the yard.
    `waits_for` is what is to be done next, in words, "" for a free bay."""

    bay: Bay | None
    job: Job | None
    waits_for: str


@dataclass(frozen=True, slots=True, kw_only=True)
class VehicleJob:
    """One of a vehicle's jobs and what was fitted on it, by valve."""

    job: Job
    fits: tuple[Fit, ...]


def jobs_of(
    site: Site,
    *,
    states: Iterable[str] | None = None,
    open_only: bool = False,
    vehicle: Vehicle | None = None,
) -> QuerySet[Job]:
    """The site's jobs, newest first, with what a list shows of each."""
    rows = Job.objects.filter(site=site)
    if states is not None:
        rows = rows.filter(state__in=list(states))
    if open_only:
        rows = rows.exclude(state__in=CLOSED)
    if vehicle is not None:
        rows = rows.filter(vehicle=vehicle)
    return rows.select_related("site", "vehicle", "engine_type", "family", "bay", "tray").order_by(
        "-opened_at", "-number"
    )


def job_of(site: Site, pk: uuid.UUID) -> Job:
    """The site's job by its id. Raises NotFound, for another site's job too."""
    job = jobs_of(site).filter(pk=pk).first()
    if job is None:
        raise NotFound("There is no such job here.")
    return job


def current_plan(job: Job) -> Plan | None:
    """The plan at work or proposed, else the last one that was made; None when none was."""
    plans = list(job.plans.order_by("-number"))
    standing = (Plan.State.ACCEPTED, Plan.State.PROPOSED)
    return next((plan for plan in plans if plan.state in standing), plans[0] if plans else None)


def _to_read(valves: Iterable[ValveSheet]) -> tuple[str, ...]:
    return tuple(
        sheet.valve.label
        for sheet in valves
        if sheet.reading is None and sheet.valve.adjust != JobValve.Adjust.NEVER
    )


def job_sheet(job: Job) -> JobSheet:
    """The whole sheet of one job, in a fixed number of queries."""
    job = jobs_of(job.site).get(pk=job.pk)
    plan = current_plan(job)
    if plan is not None:
        with_places = PlanLine.objects.select_related("from_place", "from_job__bay", "from_job__tray")
        prefetch_related_objects([plan], Prefetch("lines", with_places))
    lines = {line.label: line for line in plan.lines.all()} if plan is not None else {}
    readings = _by_valve(ClearanceReading.objects.filter(valve__job=job).order_by("sequence"))
    shims = _by_valve(ShimReading.objects.filter(valve__job=job).order_by("sequence"))
    fits = _by_valve(Fit.objects.filter(valve__job=job).order_by("round"))
    holds = tuple(
        Hold.objects.filter(job_id=job.pk, state=Hold.State.HELD)
        .prefetch_related("lines__place", "lines__taken_from")
        .order_by("created_at", "id")
    )
    valves = tuple(
        _valve_sheet(valve, readings[valve.pk], shims[valve.pk], lines.get(valve.label), fits[valve.pk])
        for valve in job.valves.select_related("position").order_by("order")
    )
    return JobSheet(
        job=job,
        valves=valves,
        plan=plan,
        events=tuple(job.events.order_by("id")),
        items=tuple(job.engine_type.items.order_by("order")) if job.engine_type else (),
        holds=holds,
        by_hand=tuple(by_hand(plan, holds)),
        needs=tuple(
            Need.objects.filter(job_id=job.pk, state__in=[Need.State.OPEN, Need.State.BOUGHT])
            .select_related("line__purchase_list")
            .order_by("thickness_nm", "id")
        ),
        hand_overs=tuple(
            HandOver.objects.filter(Q(from_job=job) | Q(to_job=job))
            .exclude(state=HandOver.State.RELEASED)
            .select_related("from_job__bay", "to_job__bay")
            .order_by("promised_at", "id")
        ),
        may=ALLOWED[job.state],
        next=next_step(job, plan, lines.values(), all_read=not _to_read(valves)),
    )


def board(site: Site) -> list[BayRow]:
    """The site's bays by number, with the job in each and what it waits for; then the jobs in the yard."""
    jobs = list(jobs_of(site, open_only=True))
    unread = _unread([job.pk for job in jobs])
    needs = _needs(site)
    proposed = set(
        Plan.objects.filter(job__in=jobs, state=Plan.State.PROPOSED).values_list("job_id", flat=True)
    )
    in_bays = {job.bay_id: job for job in jobs if job.bay_id is not None}
    stands: list[tuple[Bay | None, Job | None]] = [
        (bay, in_bays.get(bay.pk)) for bay in site.bays.order_by("number")
    ]
    stands += [(None, job) for job in reversed(jobs) if job.bay_id is None]
    return [
        BayRow(
            bay=bay,
            job=job,
            waits_for=_waits_for(job, unread[job.pk], needs[job.pk], has_plan=job.pk in proposed)
            if job
            else "",
        )
        for bay, job in stands
    ]


def free_bays(site: Site) -> QuerySet[Bay]:
    """The site's bays that no open job is in, by number."""
    taken = Job.objects.filter(site=site, bay__isnull=False).exclude(state__in=CLOSED)
    return Bay.objects.filter(site=site).exclude(pk__in=taken.values("bay_id")).order_by("number")


def vehicle_history(vehicle: Vehicle) -> list[VehicleJob]:
    """Every job of the vehicle, newest first, with what was fitted; [] for one that was never here."""
    jobs = list(jobs_of(vehicle.site, vehicle=vehicle))
    fits: dict[uuid.UUID, list[Fit]] = defaultdict(list)
    rows = Fit.objects.filter(valve__job__in=jobs).select_related("valve")
    for fit in rows.order_by("round", "valve__order"):
        fits[fit.valve.job_id].append(fit)
    return [VehicleJob(job=job, fits=tuple(fits[job.pk])) for job in jobs]


def _by_valve(rows: Iterable[Row]) -> dict[uuid.UUID, tuple[Row, ...]]:
    found: dict[uuid.UUID, tuple[Row, ...]] = defaultdict(tuple)
    for row in rows:
        found[row.valve_id] += (row,)
    return found


def _valve_sheet(
    valve: JobValve,
    readings: tuple[ClearanceReading, ...],
    shim_readings: tuple[ShimReading, ...],
    line: PlanLine | None,
    fits: tuple[Fit, ...],
) -> ValveSheet:
    since = valve.fit_round or 1
    before = next((row for row in reversed(readings) if row.round < since), None)
    after = next((row for row in reversed(readings) if row.round >= since), None)
    return ValveSheet(
        valve=valve,
        before=before,
        after=after,
        verdict_before=_verdict(valve, before),
        verdict_after=_verdict(valve, after),
        readings=readings,
        shim_readings=shim_readings,
        line=line,
        fits=fits,
    )


def _verdict(valve: JobValve, reading: ClearanceReading | None) -> Verdict | None:
    if reading is None:
        return None
    return verdict(reading.passes_nm, reading.stops_nm, valve.min_nm, valve.max_nm)


def _unread(job_ids: list[uuid.UUID]) -> Counter[uuid.UUID]:
    """How many valves of each job are to be read; those that are never opened do not count."""
    valves = list(JobValve.objects.filter(job__in=job_ids).exclude(adjust=JobValve.Adjust.NEVER))
    read = current_readings(valves)
    return Counter(valve.job_id for valve in valves if valve.pk not in read)


def _needs(site: Site) -> dict[uuid.UUID, list[Need]]:
    found: dict[uuid.UUID, list[Need]] = defaultdict(list)
    rows = Need.objects.filter(site=site, state__in=[Need.State.OPEN, Need.State.BOUGHT])
    for need in rows.order_by("thickness_nm", "id"):
        found[need.job_id].append(need)
    return found


def _waits_for(job: Job, unread: int, needs: list[Need], *, has_plan: bool) -> str:
    match job.state:
        case Job.State.OPEN:
            return f"{_readings(unread)} to be keyed in" if unread else "a plan"
        case Job.State.PLANNED:
            return "its shims to be held" if has_plan else "a new plan: the last one is out of date"
        case Job.State.WAITING:
            sizes = Counter((need.thickness_nm, need.state) for need in needs)
            return (
                ", ".join(
                    f"{count} × {show(nm)} mm {Need.State(state).label.lower()}"
                    for (nm, state), count in sizes.items()
                )
                or "shims that have just come in"
            )
        case Job.State.HELD:
            return "its shims to be handed out and fitted"
        case Job.State.OUT:
            return "its shims to be fitted"
        case _:
            return f"{_readings(unread)} after the fit" if unread else "sign-off"


def _readings(count: int) -> str:
    return "1 reading" if count == 1 else f"{count} readings"
