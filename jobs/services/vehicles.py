"""Enter a customer's vehicle, and put right what was entered."""

from datetime import datetime
from enum import Enum

from jobs.models import EngineType, Vehicle
from jobs.services.refusals import refuse, text_faults
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import Conflict, FieldError
from shop.models import Site
from shop.roles import Action


class Unchanged(Enum):
    """The one value that no field can have: leave what is there."""

    UNCHANGED = "unchanged"


UNCHANGED = Unchanged.UNCHANGED


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


def _refuse_known(site: Site, registration: str) -> None:
    # The row is the lock: of two who enter the same vehicle at once the second finds the first.
    Site.objects.select_for_update(no_key=True).get(pk=site.pk)
    known = Vehicle.objects.filter(site=site, registration=registration).first()
    if known is not None:
        raise Conflict(
            f"{registration} is known here already: {known.description}.",
            code="vehicle-known",
            extra={"vehicle": str(known.pk)},
        )
