"""Every valve of several jobs with what its reading says now: the small engines on the board of bays."""

import uuid
from collections.abc import Collection
from dataclasses import dataclass

from jobs.compute.readings import Verdict, verdict
from jobs.models import Job, JobValve
from jobs.selectors.readings import current_readings


@dataclass(frozen=True, slots=True, kw_only=True)
class GlancedValve:
    """One valve; `verdict` is None where it was not read since it was last opened."""

    valve: JobValve
    verdict: Verdict | None

    @property
    def to_read(self) -> bool:
        return self.verdict is None and self.valve.adjust != JobValve.Adjust.NEVER


def at_a_glance(jobs: Collection[Job]) -> dict[uuid.UUID, list[GlancedValve]]:
    """By job id, its valves in order; two queries, however many jobs there are."""
    valves = list(
        JobValve.objects.filter(job__in=[job.pk for job in jobs])
        .select_related("position")
        .order_by("job", "order")
    )
    readings = current_readings(valves)
    found: dict[uuid.UUID, list[GlancedValve]] = {job.pk: [] for job in jobs}
    for valve in valves:
        reading = readings.get(valve.pk)
        says = verdict(reading.passes_nm, reading.stops_nm, valve.min_nm, valve.max_nm) if reading else None
        found[valve.job_id].append(GlancedValve(valve=valve, verdict=says))
    return found
