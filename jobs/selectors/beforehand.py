"""Before the cover comes off: what the history of an engine, or of its type, says of what it will take.

The number of queries depends neither on the history nor on the stock.
"""

import uuid
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import cast
from zoneinfo import ZoneInfo

from inventory.compute.sizes import nearest_size
from inventory.models import ShimFamily
from inventory.selectors.coming import Coming, coming
from inventory.selectors.overview import by_made_size
from inventory.selectors.stock import (
    PLANNABLE,
    SizeCount,
    available_lots,
    count_by_thickness,
    stock_at,
)
from jobs.compute.beforehand import (
    Ahead,
    Cases,
    Change,
    Engine,
    Found,
    PastEngine,
    Size,
    Told,
    cases_of_engine,
    cases_of_type,
    change_between,
    look_ahead,
    sentences,
)
from jobs.compute.planner import Condition, Lot, OwnShim, Uncertainty
from jobs.compute.planner.types import KnownBy
from jobs.models import ClearanceReading, EngineType, Fit, Job, JobValve, Vehicle
from jobs.selectors.jobs import CLOSED
from jobs.selectors.specs import engine_of
from shop.actor import Actor
from shop.conf import conf
from shop.models import Site
from shop.roles import Action


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftValve:
    """One valve as the last visit left it."""

    label: str
    reading: ClearanceReading | None
    shim_nm: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeRow:
    """One size that the engine may want, with what there is of it. A used shim counts with the made size that
    is nearest."""

    size: Size
    count: SizeCount
    elsewhere: tuple[tuple[Site, int], ...]
    """Available at other sites where the asker may hold shims."""
    coming: Coming


@dataclass(frozen=True, slots=True, kw_only=True)
class Beforehand:
    """The check's answer. `ahead` counts no case where nothing can be said."""

    site: Site
    vehicle: Vehicle | None
    engine_type: EngineType | None
    told: Told | None
    """None for an engine that stands in no list."""
    cases: Cases
    ahead: Ahead
    rows: tuple[SizeRow, ...]
    last_job: Job | None
    """The last time that the vehicle's engine was signed off here."""
    left: tuple[LeftValve, ...]
    open_job: Job | None
    """The job that is open on the vehicle: its own readings count then."""
    say: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Visit:
    """One job that was signed off: how the engine came in and how it went."""

    job: Job
    found: Mapping[str, Found]
    shims: Mapping[str, int]
    left: Mapping[str, Found]
    valves: tuple[LeftValve, ...]


def before_opening(
    site: Site, actor: Actor, *, vehicle: Vehicle | None = None, engine_type: EngineType | None = None
) -> Beforehand:
    """What this vehicle's engine, or any of the type, will most likely take, and whether the site has it. One
    of the two is given; a vehicle must be the site's.
    """
    if vehicle is not None:
        engine_type = vehicle.engine_type
    if engine_type is None:
        return _nothing_known(site, vehicle)
    engine = engine_of(engine_type)
    visits = _visits(_past_jobs(site, engine_type, vehicle))
    last = next((visit for visit in visits if vehicle and visit.job.vehicle_id == vehicle.pk), None)
    past = [PastEngine(valves=visit.found, shims=visit.shims) for visit in visits]
    cases, told = _cases(site, engine, engine_type, visits, past, last)
    lots = _lots(site, engine_type.family)
    comes = coming(site, engine_type.family)
    free = {size: one.free for size, one in comes.items() if one.free}
    ahead = look_ahead(engine, cases, lots, free)
    return Beforehand(
        site=site,
        vehicle=vehicle,
        engine_type=engine_type,
        told=told,
        cases=cases,
        ahead=ahead,
        rows=_rows(site, engine_type.family, actor, ahead, comes),
        last_job=last.job if last else None,
        left=last.valves if last else (),
        open_job=_open_job(vehicle),
        say=sentences(told, cases, ahead),
    )


def _nothing_known(site: Site, vehicle: Vehicle | None) -> Beforehand:
    nothing = Cases(engines=(), rest_on=0, left_out=0)
    ahead = Ahead(cases=0, rest_on=0, done=0, unresolved=0, low=None, high=None, sizes=(), with_order=0)
    return Beforehand(
        site=site,
        vehicle=vehicle,
        engine_type=None,
        told=None,
        cases=nothing,
        ahead=ahead,
        rows=(),
        last_job=None,
        left=(),
        open_job=_open_job(vehicle),
        say=sentences(Told(basis="type", named=""), nothing, ahead),
    )


def _open_job(vehicle: Vehicle | None) -> Job | None:
    return None if vehicle is None else vehicle.jobs.exclude(state__in=CLOSED).first()


def _past_jobs(site: Site, engine_type: EngineType, vehicle: Vehicle | None) -> list[Job]:
    """The newest that were signed off, and the vehicle's own last one; newest first."""
    rows = Job.objects.filter(
        site=site, engine_type=engine_type, family=engine_type.family, state=Job.State.SIGNED_OFF
    ).order_by("-closed_at", "-number")
    jobs = list(rows[: conf.check_cases])
    if vehicle is not None and all(job.vehicle_id != vehicle.pk for job in jobs):
        jobs += rows.filter(vehicle=vehicle)[:1]
    return jobs


def _visits(jobs: Sequence[Job]) -> list[_Visit]:
    valves: dict[uuid.UUID, list[JobValve]] = defaultdict(list)
    for valve in JobValve.objects.filter(job__in=jobs).order_by("order"):
        valves[valve.job_id].append(valve)
    readings: dict[uuid.UUID, list[ClearanceReading]] = defaultdict(list)
    for reading in ClearanceReading.objects.filter(valve__job__in=jobs).order_by("sequence"):
        readings[reading.valve_id].append(reading)
    first_fits: dict[uuid.UUID, Fit] = {}
    for fit in Fit.objects.filter(valve__job__in=jobs).order_by("round"):
        first_fits.setdefault(fit.valve_id, fit)
    return [_visit(job, valves[job.pk], readings, first_fits) for job in jobs]


def _visit(
    job: Job,
    valves: Iterable[JobValve],
    readings: Mapping[uuid.UUID, list[ClearanceReading]],
    first_fits: Mapping[uuid.UUID, Fit],
) -> _Visit:
    found: dict[str, Found] = {}
    left: dict[str, Found] = {}
    shims: dict[str, int] = {}
    rows = []
    for valve in valves:
        was, now = _shim_found(valve, first_fits.get(valve.pk)), _shim_left(valve)
        if was is not None:
            shims[valve.label] = was.thickness_nm
        keyed = readings.get(valve.pk, [])
        before = next((row for row in reversed(keyed) if row.round == 0), None)
        after = next((row for row in reversed(keyed) if row.round >= valve.fit_round), None)
        if before is not None:
            found[valve.label] = Found(passes_nm=before.passes_nm, stops_nm=before.stops_nm, shim=was)
        if after is not None:
            left[valve.label] = Found(passes_nm=after.passes_nm, stops_nm=after.stops_nm, shim=now)
        rows.append(LeftValve(label=valve.label, reading=after, shim_nm=valve.shim_nm))
    return _Visit(job=job, found=found, shims=shims, left=left, valves=tuple(rows))


def _shim_found(valve: JobValve, first_fit: Fit | None) -> OwnShim | None:
    """What the first fit took out; without one, what is in the valve still."""
    if first_fit is None:
        return _shim_left(valve)
    if first_fit.removed_nm is None:
        return None
    measured = first_fit.removed_condition == "used"
    return OwnShim(thickness_nm=first_fit.removed_nm, known_by="measured" if measured else "marked")


def _shim_left(valve: JobValve) -> OwnShim | None:
    if valve.shim_nm is None:
        return None
    return OwnShim(thickness_nm=valve.shim_nm, known_by=cast(KnownBy, valve.shim_known_by))


def _when(job: Job, site: Site) -> str:
    if job.closed_at is None:
        return str(job)
    day = job.closed_at.astimezone(ZoneInfo(site.time_zone))
    return f"{job} on {day.day} {day:%B %Y}"


def _cases(
    site: Site,
    engine: Engine,
    engine_type: EngineType,
    visits: Sequence[_Visit],
    past: Sequence[PastEngine],
    last: _Visit | None,
) -> tuple[Cases, Told]:
    """By how engines of the type changed where that is known of the vehicle's; else by how they came in."""
    when = _when(last.job, site) if last else ""
    named = str(engine_type)
    if last is not None:
        changes = _changes(visits, engine.uncertainty)
        cases = cases_of_engine(engine, last.left, changes, past, conf.check_cases)
        if cases.engines:
            return cases, Told(basis="vehicle", named=named, last_visit=when)
    cases = cases_of_type(engine, past, conf.check_cases)
    return cases, Told(basis="type", named=named, last_visit=when)


def _changes(visits: Iterable[_Visit], uncertainty: Uncertainty) -> list[Change]:
    """How engines changed between two visits that followed one another, newest first."""
    later: dict[uuid.UUID, _Visit] = {}
    changes = []
    for visit in visits:
        after = later.get(visit.job.vehicle_id)
        if after is not None:
            change = change_between(visit.left, after.found, uncertainty)
            if change is not None:
                changes.append(change)
        later[visit.job.vehicle_id] = visit
    return changes


def _lots(site: Site, family: ShimFamily) -> list[Lot]:
    return [
        Lot(
            thickness_nm=balance.thickness_nm,
            condition=cast(Condition, balance.condition),
            quantity=balance.on_hand - balance.held,
        )
        for balance in available_lots(site, family)
    ]


def _rows(
    site: Site, family: ShimFamily, actor: Actor, ahead: Ahead, comes: Mapping[int, Coming]
) -> tuple[SizeRow, ...]:
    counts = {count.size_nm: count for count in by_made_size(count_by_thickness(site, family), family)}
    others = _elsewhere(site, family, actor)
    return tuple(
        SizeRow(
            size=size,
            count=counts[size.size_nm],
            elsewhere=others.get(size.size_nm, ()),
            coming=comes.get(size.size_nm, Coming()),
        )
        for size in ahead.sizes
    )


def _elsewhere(site: Site, family: ShimFamily, actor: Actor) -> dict[int, tuple[tuple[Site, int], ...]]:
    """By made size, what is available at the other sites where the actor may hold shims; by their codes."""
    others = Site.objects.filter(pk__in=list(actor.roles)).exclude(pk=site.pk)
    sites = {other.pk: other for other in others if actor.may(Action.HOLD, other)}
    there: dict[int, dict[Site, int]] = defaultdict(lambda: defaultdict(int))
    for lot in stock_at(sites, family_code=family.code).filter(condition__in=PLANNABLE):
        if lot.on_hand > lot.held:
            size = nearest_size(family.range, lot.thickness_nm)
            there[size][sites[lot.site_id]] += lot.on_hand - lot.held
    return {
        size: tuple(sorted(counts.items(), key=lambda entry: entry[0].code)) for size, counts in there.items()
    }
