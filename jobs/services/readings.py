"""Key in what was found on the engine: feeler readings, shims, and which valves are to be adjusted.

All of a call or nothing: every wrong value is named at once. What is keyed again as it stands changes
nothing, so a page may send its whole grid; a changed value is a new row, and the old one stays in the
history.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from inventory.compute.lengths import Length, LengthError, next_leaf, plausible_clearance
from inventory.compute.sizes import check_new_shim, check_used_shim
from jobs.compute.readings import feeler_reading
from jobs.models import ClearanceReading, Job, JobValve, Plan, ShimReading
from jobs.services import news
from jobs.services.events import counted
from jobs.services.promises import put_aside_proposed
from jobs.services.refusals import pointer, refuse, unknown_valves
from jobs.services.states import Act, resting_state
from jobs.services.steps import begin, finish
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import FieldError


@dataclass(frozen=True, slots=True, kw_only=True)
class FeelerInput:
    """One feeler reading as keyed. Without `stops` the next leaf is meant."""

    passes: Length
    stops: Length | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ShimInput:
    """One shim as keyed. `known_by`: "measured" with a micrometer, or "marked" on its face."""

    thickness: Length
    known_by: str


@write_transaction
def key_clearances(
    *,
    job: Job,
    actor: Actor,
    at: datetime,
    readings: Mapping[str, FeelerInput],
    version: int | None = None,
) -> Job:
    """Take feeler readings by valve label; those of a job that was fitted are the readings after.

    Raises Invalid with pointers such as /readings/2-IN-L/passes, WrongState while a plan rests on the
    readings.
    """
    job = begin(job, Act.KEY_CLEARANCES, actor=actor, at=at, version=version)
    valves = {valve.label: valve for valve in job.valves.all()}
    errors = unknown_valves("readings", readings, valves, "key in at least one reading")
    for label, reading in readings.items():
        errors += _faults(label, reading)
    refuse(errors, "No reading was taken")
    last = {row.valve_id: row for row in ClearanceReading.objects.filter(valve__job=job).order_by("sequence")}
    rows = []
    for label, reading in readings.items():
        valve = valves[label]
        row = ClearanceReading(
            valve=valve,
            round=job.round,
            sequence=1,
            passes_nm=reading.passes.nm,
            passes_keyed=reading.passes.keyed,
            stops_nm=(reading.stops or next_leaf(reading.passes)).nm,
            stops_keyed=(reading.stops or next_leaf(reading.passes)).keyed,
            stops_given=reading.stops is not None,
            at=at,
            by=actor.label,
        )
        before = last.get(valve.pk)
        if before is not None:
            if _alike(row, before, "round", "passes_keyed", "stops_keyed", "stops_given"):
                continue
            row.sequence = before.sequence + 1
        rows.append(row)
    ClearanceReading.objects.bulk_create(rows)
    keyed = {row.valve.label: row.passes_keyed for row in rows}
    return _keyed(job, Act.KEY_CLEARANCES, actor, at, keyed, "clearance")


@write_transaction
def key_shims(
    *, job: Job, actor: Actor, at: datetime, shims: Mapping[str, ShimInput], version: int | None = None
) -> Job:
    """Take the thickness of the shims found in valves, by valve label.

    A measured one may lie up to 0.1 mm outside its family's range, a marked one is a made size. Raises
    Invalid with pointers such as /shims/2-IN-L/thickness, WrongState while a plan rests on the shims.
    """
    job = begin(job, Act.KEY_SHIMS, actor=actor, at=at, version=version)
    valves = {valve.label: valve for valve in job.valves.all()}
    errors = unknown_valves("shims", shims, valves, "key in at least one shim")
    for label, shim in shims.items():
        if shim.known_by not in JobValve.KnownBy.values:
            errors.append(FieldError(pointer("shims", label, "known_by"), "must be measured or marked"))
            continue
        check = check_used_shim if shim.known_by == JobValve.KnownBy.MEASURED else check_new_shim
        try:
            check(job.family.range, shim.thickness, f"{shim.known_by} shim")
        except LengthError as error:
            errors.append(FieldError(pointer("shims", label, "thickness"), error.message))
    refuse(errors, "No shim was taken")
    last = {row.valve_id: row for row in ShimReading.objects.filter(valve__job=job).order_by("sequence")}
    rows, changed = [], []
    for label, shim in shims.items():
        valve = valves[label]
        if (valve.shim_keyed, valve.shim_known_by) == (shim.thickness.keyed, shim.known_by):
            continue
        valve.shim_nm, valve.shim_keyed = shim.thickness.nm, shim.thickness.keyed
        valve.shim_known_by = shim.known_by
        changed.append(valve)
        before = last.get(valve.pk)
        rows.append(
            ShimReading(
                valve=valve,
                round=job.round,
                sequence=before.sequence + 1 if before else 1,
                thickness_nm=shim.thickness.nm,
                thickness_keyed=shim.thickness.keyed,
                known_by=shim.known_by,
                at=at,
                by=actor.label,
            )
        )
    ShimReading.objects.bulk_create(rows)
    JobValve.objects.bulk_update(changed, ["shim_nm", "shim_keyed", "shim_known_by"])
    keyed = {valve.label: f"{valve.shim_keyed} {valve.shim_known_by}" for valve in changed}
    return _keyed(job, Act.KEY_SHIMS, actor, at, keyed, "shim")


@write_transaction
def set_adjust(
    *, job: Job, actor: Actor, at: datetime, adjust: Mapping[str, str], version: int | None = None
) -> Job:
    """Say by valve label whether it is adjusted if it helps (auto), always or never."""
    job = begin(job, Act.SET_ADJUST, actor=actor, at=at, version=version)
    valves = {valve.label: valve for valve in job.valves.all()}
    errors = unknown_valves("adjust", adjust, valves, "name at least one valve")
    errors += [
        FieldError(pointer("adjust", label), "must be auto, always or never")
        for label, wanted in adjust.items()
        if label in valves and wanted not in JobValve.Adjust.values
    ]
    refuse(errors, "Nothing was changed")
    changed = [valves[label] for label, wanted in adjust.items() if valves[label].adjust != wanted]
    for valve in changed:
        valve.adjust = adjust[valve.label]
    JobValve.objects.bulk_update(changed, ["adjust"])
    keyed = {valve.label: f"{valve.get_adjust_display().lower()}" for valve in changed}
    return _keyed(job, Act.SET_ADJUST, actor, at, keyed, "choice")


def _faults(label: str, reading: FeelerInput) -> list[FieldError]:
    """What is wrong with one reading; each leaf is looked at, then the two together."""
    errors = []
    for name, leaf, words in (
        ("passes", reading.passes, "the leaf that passes"),
        ("stops", reading.stops, "the leaf that stops"),
    ):
        try:
            if leaf is not None:
                plausible_clearance(leaf, words)
        except LengthError as error:
            errors.append(FieldError(pointer("readings", label, name), error.message))
    if not errors:
        try:
            feeler_reading(reading.passes, reading.stops)
        except LengthError as error:
            errors.append(FieldError(pointer("readings", label, "stops"), error.message))
    return errors


def _alike(row: ClearanceReading, before: ClearanceReading, *fields: str) -> bool:
    return all(getattr(row, field) == getattr(before, field) for field in fields)


def _keyed(job: Job, act: Act, actor: Actor, at: datetime, keyed: Mapping[str, str], what: str) -> Job:
    """Put a plan aside that rested on other values, and write the act down with what was keyed by valve.

    Nothing happens where nothing changed.
    """
    if not keyed:
        return job
    text = f"{counted(len(keyed), what)}: {', '.join(f'{label} {value}' for label, value in keyed.items())}."
    if put_aside_proposed(job, f"Keyed in after it was made: {text}"):
        text = f"The plan is out of date. {text}"
        news.plan_stale(job.plans.filter(state=Plan.State.STALE).latest("number"), at)
    job.state = resting_state(job)
    return finish(job, act, actor=actor, at=at, text=text)
