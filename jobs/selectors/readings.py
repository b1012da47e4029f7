"""Which readings of a job count now."""

import uuid
from collections.abc import Collection

from jobs.models import ClearanceReading, JobValve


def current_readings(valves: Collection[JobValve]) -> dict[uuid.UUID, ClearanceReading]:
    """By valve id, the last reading of what is in the valve now. A valve is missing that was not read, or
    not since the last fit that opened it."""
    opened = {valve.pk: valve.fit_round for valve in valves}
    rows = ClearanceReading.objects.filter(valve__in=list(opened)).order_by("sequence")
    last = {row.valve_id: row for row in rows}
    return {pk: row for pk, row in last.items() if row.round >= opened[pk]}


def opens_nothing(valve: JobValve, reading: ClearanceReading | None) -> bool:
    """Whether a plan leaves the valve alone: it is never opened, or it was read in spec and need not be."""
    if valve.adjust == JobValve.Adjust.NEVER:
        return True
    return valve.adjust == JobValve.Adjust.AUTO and in_spec(valve, reading)


def in_spec(valve: JobValve, reading: ClearanceReading | None) -> bool:
    """Whether the called clearance is inside the spec; False for a valve that was not read."""
    return reading is not None and valve.min_nm <= reading.passes_nm <= valve.max_nm
