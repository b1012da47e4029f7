"""Open a job: an engine comes into a bay, or waits in the yard for one, and gets a tray."""

from collections.abc import Iterable, Iterator
from datetime import datetime

from inventory.compute.lengths import Unit
from inventory.models import Place
from inventory.selectors.places import empty_trays
from inventory.services.numbering import next_number
from jobs.models import EngineType, Job, JobValve, Side, Vehicle
from jobs.selectors.specs import spec_of
from jobs.services.events import counted, note_event
from jobs.services.keyed_engine import KeyedEngine, keyed_engine_faults, keyed_valves
from jobs.services.refusals import bad_priority, refuse, text_faults
from jobs.services.states import Act
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import Conflict, FieldError, NotFound
from shop.models import Bay, Site
from shop.roles import Action

CLOSED = (Job.State.SIGNED_OFF, Job.State.STOPPED)


@write_transaction
def open_job(
    *,
    site: Site,
    actor: Actor,
    at: datetime,
    vehicle: Vehicle,
    bay: Bay | None,
    unit: str = "thou",
    odometer: str = "",
    promised_at: datetime | None = None,
    priority: int = 0,
    note: str = "",
    engine: KeyedEngine | None = None,
) -> Job:
    """A job on the vehicle's engine in this bay, with the lowest free tray. Without a bay it is in the yard.

    The spec is copied from the engine type, so that a later change of the type does not change the job; or it
    is `engine`'s, which is keyed by hand and goes before the vehicle's type. Shims known from the vehicle's
    last job on the same engine stand in the valves already. Raises Invalid where there is neither, Conflict
    when the bay, the vehicle or every tray is taken, NotFound for a bay or vehicle of another site.
    """
    actor.must(Action.WORK_JOB, site)
    if vehicle.site_id != site.pk or (bay is not None and bay.site_id != site.pk):
        raise NotFound(f"There is no such bay or vehicle at {site.name}.")
    errors = text_faults(Job, odometer=odometer, note=note)
    if unit not in set(Unit):
        errors.append(FieldError("/unit", f"must be one of {', '.join(Unit)}"))
    if engine is not None:
        errors += keyed_engine_faults(engine)
    elif vehicle.engine_type_id is None:
        words = f"{vehicle.registration}'s engine is in no list: key its family, spec and valves with the job"
        errors.append(FieldError("/engine", words))
    errors += bad_priority(priority)
    refuse(errors, "The job was not opened")
    # It locks the site's row: number, bay and tray of two jobs that are opened at once cannot be the same.
    number = next_number(site, Job.objects.filter(site=site))
    like: KeyedEngine | EngineType = engine or _type_of(vehicle)
    open_jobs = list(Job.objects.filter(site=site).exclude(state__in=CLOSED).select_related("bay"))
    _refuse_taken(open_jobs, vehicle, bay)
    job = Job.objects.create(
        site=site,
        number=number,
        vehicle=vehicle,
        engine_type=like if isinstance(like, EngineType) else None,
        family=like.family,
        lash_ratio=like.lash_ratio,
        spec_source=like.spec_source.strip(),
        bay=bay,
        tray=_lowest_tray(site, open_jobs),
        unit=unit,
        odometer=odometer,
        note=note,
        opened_at=at,
        opened_by=actor.label,
        promised_at=promised_at,
        priority=priority,
    )
    valves = list(_valves(job, like) if isinstance(like, EngineType) else keyed_valves(job, like))
    known = _put_known_shims(job, valves)
    JobValve.objects.bulk_create(valves)
    text = f"Opened in {bay or 'the yard'} with tray {job.tray}."
    if engine is not None:
        text += f" Spec and {counted(len(valves), 'valve')} keyed by hand."
    if known:
        text += f" {counted(known, 'shim')} known from the vehicle's last job."
    note_event(job, Act.OPEN, by=actor.label, at=at, text=text)
    return job


def refuse_taken_bay(open_jobs: list[Job], bay: Bay) -> None:
    """Raise Conflict, code `bay-taken`, when one of these jobs is in the bay."""
    for other in open_jobs:
        if other.bay_id == bay.pk:
            raise Conflict(
                f"{bay} is taken by {other}: sign that off or stop it, or choose another bay.",
                code="bay-taken",
                extra={"job": str(other.pk)},
            )


def _refuse_taken(open_jobs: list[Job], vehicle: Vehicle, bay: Bay | None) -> None:
    if bay is not None:
        refuse_taken_bay(open_jobs, bay)
    for other in open_jobs:
        if other.vehicle_id == vehicle.pk:
            raise Conflict(
                f"{vehicle} is in {other.bay or 'the yard'} already: {other} is open on it.",
                code="vehicle-taken",
                extra={"job": str(other.pk)},
            )


def _lowest_tray(site: Site, open_jobs: list[Job]) -> Place:
    taken = {job.tray_id for job in open_jobs}
    free = [tray for tray in empty_trays(site) if tray.pk not in taken]
    if not free:
        raise Conflict(
            f"No tray is free at {site.name}: clear one by signing a job off, or add a tray.",
            code="no-free-tray",
        )
    # T2 before T10.
    return min(free, key=lambda tray: (len(tray.code), tray.code))


def _type_of(vehicle: Vehicle) -> EngineType:
    return EngineType.objects.select_related("family").get(pk=vehicle.engine_type_id)


def _put_known_shims(job: Job, valves: Iterable[JobValve]) -> int:
    """Put into the valves what the vehicle's last job on the same engine left there; how many were known."""
    last = (
        # Closed ones only: the job that is being opened has no closing time, which PostgreSQL sorts first.
        Job.objects.filter(
            vehicle=job.vehicle, engine_type=job.engine_type, family=job.family, state__in=CLOSED
        )
        .order_by("-closed_at", "-number")
        .first()
    )
    if last is None:
        return 0
    left = {valve.label: valve for valve in last.valves.filter(shim_nm__isnull=False)}
    known = 0
    for valve in valves:
        before = left.get(valve.label)
        if before is not None:
            valve.shim_nm, valve.shim_keyed = before.shim_nm, before.shim_keyed
            valve.shim_known_by = before.shim_known_by
            known += 1
    return known


def _valves(job: Job, engine_type: EngineType) -> Iterator[JobValve]:
    for position in engine_type.positions.order_by("order"):
        side = "intake" if position.side == Side.INTAKE else "exhaust"
        spec = spec_of(engine_type, position.side)
        yield JobValve(
            job=job,
            position=position,
            label=position.label,
            side=position.side,
            order=position.order,
            min_nm=spec.min_nm,
            min_keyed=getattr(engine_type, f"{side}_min_keyed"),
            max_nm=spec.max_nm,
            max_keyed=getattr(engine_type, f"{side}_max_keyed"),
            aim_nm=spec.aim_nm,
            aim_keyed=getattr(engine_type, f"{side}_aim_keyed"),
        )
