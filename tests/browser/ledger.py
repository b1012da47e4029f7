"""What a job left in the books, in a form in which two jobs can be compared."""

from inventory.models import Movement
from jobs.models import Fit, Job
from shop.models import Site


def booked(site: Site) -> list[tuple[str, list[tuple[str, str, int, str, int]]]]:
    """The site's movements of jobs in their order: reason and lines (kind of place, its code, thickness,
    condition, how many)."""
    movements = Movement.objects.filter(site=site, job_id__isnull=False).order_by("seq")
    return [
        (
            movement.reason,
            sorted(
                (line.place.kind, line.place.code, line.thickness_nm, line.condition, line.quantity)
                for line in movement.lines.select_related("place")
            ),
        )
        for movement in movements
    ]


def fitted(job: Job) -> list[tuple[str, int | None, int, str, str]]:
    """(valve, out, in, where from, reason) of everything that was fitted on the job."""
    return [
        (fit.valve.label, fit.removed_nm, fit.fitted_nm, fit.fitted_from, fit.reason)
        for fit in Fit.objects.filter(valve__job=job)
        .select_related("valve")
        .order_by("valve__order", "round")
    ]


def read(job: Job) -> list[tuple[str, int, str, str]]:
    """(valve, round, passes, stops) of every reading, as it was keyed."""
    return [
        (valve.label, reading.round, reading.passes_keyed, reading.stops_keyed)
        for valve in job.valves.order_by("order")
        for reading in valve.clearances.order_by("sequence")
    ]
