"""Engines that were set right and went away again: what the shop's past is made of."""

from datetime import timedelta

from jobs.models import Job, Vehicle
from jobs.services.fitting import fit_job
from jobs.services.sign_off import sign_off_job
from tests.jobs.shop import AT, Workshop

FINE = {"1-IN": "8 thou", "1-EX": "12 thou", "2-IN": "8 thou", "2-EX": "12 thou"}
TIGHT = FINE | {"1-IN": "5 thou"}
AFTER = {"1-IN": "8 thou"}
FOUND = {"1-IN": "2.650 mm"}


def visit(
    workshop: Workshop,
    vehicle: Vehicle,
    readings: dict[str, str] = TIGHT,
    shims: dict[str, str] = FOUND,
    *,
    days: int = 0,
) -> Job:
    """A whole job of the vehicle's, signed off `days` later than the first; where 1-IN is out of spec it gets
    another shim and reads 8 thou then."""
    job = workshop.read(workshop.job(vehicle), readings, shims)
    if readings["1-IN"] != FINE["1-IN"]:
        job = workshop.read(fit_job(job=workshop.held(job), actor=workshop.tech, at=AT), AFTER)
    return sign_off_job(job=job, actor=workshop.tech, at=AT + timedelta(days=days), reason="checked")


def took_the_last(workshop: Workshop) -> Vehicle:
    """A vehicle whose engine took the only shim that there was near what it wants: 2.864 mm is best, 2.823 to
    2.924 mm would do."""
    workshop.stock(("2.875", "new", 1))
    visit(workshop, vehicle := workshop.vehicle("N 1"), shims={"1-IN": "2.950 mm"})
    return vehicle
