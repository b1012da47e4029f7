"""Enter a customer's vehicle."""

from datetime import datetime

from jobs.models import EngineType, Vehicle
from jobs.services.refusals import refuse, text_faults
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import Conflict, FieldError
from shop.models import Site
from shop.roles import Action


@write_transaction
def enter_vehicle(
    *,
    site: Site,
    actor: Actor,
    at: datetime,
    registration: str,
    description: str,
    engine_type: EngineType,
    note: str = "",
) -> Vehicle:
    """A vehicle as this site knows it. The registration is kept in capitals with single spaces, so that it is
    found however it is keyed. Raises Conflict, code `vehicle-known`, when the site knows it already."""
    actor.must(Action.EDIT_VEHICLE, site)
    registration = " ".join(registration.split()).upper()
    description = " ".join(description.split())
    errors = text_faults(Vehicle, registration=registration, description=description, note=note)
    if not registration:
        errors.append(FieldError("/registration", "must not be empty"))
    if not description:
        errors.append(FieldError("/description", "say what vehicle it is"))
    refuse(errors, "The vehicle was not entered")
    # The row is the lock: of two who enter the same vehicle at once the second finds the first.
    Site.objects.select_for_update(no_key=True).get(pk=site.pk)
    known = Vehicle.objects.filter(site=site, registration=registration).first()
    if known is not None:
        raise Conflict(
            f"{registration} is known here already: {known.description}.",
            code="vehicle-known",
            extra={"vehicle": str(known.pk)},
        )
    return Vehicle.objects.create(
        site=site, registration=registration, description=description, engine_type=engine_type, note=note
    )
