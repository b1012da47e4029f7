"""Enter customers' vehicles, one or many at once, and put right what was entered."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import Enum

from inventory.services.many_rows import in_row, number_faults, row_in_words, rows_in_words
from jobs.models import EngineType, Vehicle
from jobs.services.refusals import refuse, text_faults
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import Conflict, FieldError, Invalid
from shop.models import Site
from shop.roles import Action


class Unchanged(Enum):
    """The one value that no field can have: leave what is there."""

    UNCHANGED = "unchanged"


UNCHANGED = Unchanged.UNCHANGED


@dataclass(frozen=True, slots=True, kw_only=True)
class VehicleRow:
    """One of many vehicles that are entered at once; engine_type: None where it is in no list."""

    registration: str
    description: str
    engine_type: EngineType | None
    note: str = ""


@write_transaction
def enter_vehicle(
    *,
    site: Site,
    actor: Actor,
    at: datetime,
    registration: str,
    description: str,
    engine_type: EngineType | None,
    note: str = "",
) -> Vehicle:
    """A vehicle as this site knows it; without an engine type its jobs are opened with a spec keyed by hand.
    The registration is kept in capitals with single spaces, so that it is
    found however it is keyed. Raises Conflict, code `vehicle-known`, when the site knows it already."""
    actor.must(Action.EDIT_VEHICLE, site)
    registration, description = _tidied(registration, description)
    refuse(_faults(registration, description, note), "The vehicle was not entered")
    _refuse_known(site, registration)
    return Vehicle.objects.create(
        site=site, registration=registration, description=description, engine_type=engine_type, note=note
    )


@write_transaction
def enter_vehicles(*, site: Site, actor: Actor, at: datetime, rows: Sequence[VehicleRow]) -> list[Vehicle]:
    """1 to 500 vehicles in the order of their rows, by the rules of `enter_vehicle`, all or none. Errors are
    by row, /rows/3/registration. Raises Invalid, naming every wrong row, when the rows cannot be right at any
    time, one vehicle in two of them included; Conflict, code `vehicle-known`, when the site knows some."""
    actor.must(Action.EDIT_VEHICLE, site)
    if errors := number_faults(rows):
        raise Invalid(rows_in_words("No vehicle was entered", errors), errors=errors)
    tidied = [_tidied(row.registration, row.description) for row in rows]
    plates = [plate for plate, _ in tidied]
    twice = _twice(plates)
    known = _known(site, plates)
    wrong = False
    for number, (row, (plate, words)) in enumerate(zip(rows, tidied, strict=True)):
        faults = _faults(plate, words, row.note)
        if number in twice:
            faults.append(FieldError("/registration", twice[number]))
        wrong = wrong or bool(faults)
        if plate in known:
            faults.append(FieldError("/registration", _known_already(known[plate])))
        errors += in_row(number, faults)
    if wrong:
        raise Invalid(rows_in_words("No vehicle was entered", errors), errors=errors)
    if errors:
        raise Conflict(
            rows_in_words("No vehicle was entered", errors),
            code="vehicle-known",
            errors=errors,
            extra={"vehicles": [str(known[plate].pk) for plate in plates if plate in known]},
        )
    return Vehicle.objects.bulk_create(
        Vehicle(site=site, registration=plate, description=words, engine_type=row.engine_type, note=row.note)
        for row, (plate, words) in zip(rows, tidied, strict=True)
    )


@write_transaction
def change_vehicle(
    *,
    vehicle: Vehicle,
    actor: Actor,
    at: datetime,
    registration: str | None = None,
    description: str | None = None,
    engine_type: EngineType | Unchanged | None = UNCHANGED,
    note: str | None = None,
) -> Vehicle:
    """Other particulars of a vehicle; None leaves what is there, `engine_type=None` says that it is in no
    list. Jobs keep the spec and the engine type that they were opened with. Raises Conflict, code
    `vehicle-known`, when another vehicle of the site has the registration."""
    actor.must(Action.EDIT_VEHICLE, vehicle.site)
    vehicle = Vehicle.objects.select_for_update(of=("self",)).select_related("site").get(pk=vehicle.pk)
    plate, words = _tidied(
        vehicle.registration if registration is None else registration,
        vehicle.description if description is None else description,
    )
    note = vehicle.note if note is None else note
    refuse(_faults(plate, words, note), "The vehicle was not changed")
    if plate != vehicle.registration:
        _refuse_known(vehicle.site, plate)
    vehicle.registration, vehicle.description, vehicle.note = plate, words, note
    if not isinstance(engine_type, Unchanged):
        vehicle.engine_type = engine_type
    vehicle.version += 1
    vehicle.save()
    return vehicle


def _tidied(registration: str, description: str) -> tuple[str, str]:
    return " ".join(registration.split()).upper(), " ".join(description.split())


def _faults(registration: str, description: str, note: str) -> list[FieldError]:
    errors = text_faults(Vehicle, registration=registration, description=description, note=note)
    if not registration:
        errors.append(FieldError("/registration", "must not be empty"))
    if not description:
        errors.append(FieldError("/description", "say what vehicle it is"))
    return errors


def _twice(plates: Sequence[str]) -> dict[int, str]:
    """What to say of each row, counted from 0, whose registration another row has too."""
    first: dict[str, int] = {}
    said: dict[int, str] = {}
    for number, plate in enumerate(plates):
        if not plate:
            continue
        before = first.setdefault(plate, number)
        if before != number:
            said[number] = f"{plate} stands in {row_in_words(before)} too; enter each vehicle once"
            said.setdefault(before, f"{plate} stands in {row_in_words(number)} too; enter each vehicle once")
    return said


def _refuse_known(site: Site, registration: str) -> None:
    for vehicle in _known(site, [registration]).values():
        raise Conflict(
            f"{_known_already(vehicle)}.", code="vehicle-known", extra={"vehicle": str(vehicle.pk)}
        )


def _known(site: Site, registrations: Iterable[str]) -> dict[str, Vehicle]:
    """Those of the registrations that the site knows."""
    # The row is the lock: of two who enter the same vehicle at once the second finds the first.
    Site.objects.select_for_update(no_key=True).get(pk=site.pk)
    found = Vehicle.objects.filter(site=site, registration__in=set(registrations))
    return {vehicle.registration: vehicle for vehicle in found}


def _known_already(vehicle: Vehicle) -> str:
    return f"{vehicle.registration} is known here already: {vehicle.description}"
