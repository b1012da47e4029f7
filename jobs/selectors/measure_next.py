"""Which shim of a job to measure next, with what was found in such engines before."""

from collections import Counter, defaultdict

from jobs.compute.measure_next import History, MeasureNext, measure_next
from jobs.models import Job, ShimReading
from jobs.selectors.problem import problem_of


def measure_next_of(job: Job) -> MeasureNext:
    """What to measure next, planning from what lies at the site. Every valve that may be opened must have
    been read (see `problem.unread`)."""
    asked = problem_of(job)
    unknown = {valve.label for valve in asked.problem.valves if valve.shim is None}
    if not unknown:
        return measure_next(asked.problem, {})
    sides = {valve.label: valve.side for valve in job.valves.all() if valve.label in unknown}
    found = shims_found_in(job)
    sizes = job.family.sizes_nm()
    of_side = {side: History(found=found[side], sizes_nm=sizes) for side in set(sides.values())}
    return measure_next(asked.problem, {label: of_side[side] for label, side in sides.items()})


def shims_found_in(job: Job) -> dict[str, Counter[int]]:
    """By side, how often each thickness was found in engines of the job's type and shim family at its site;
    the last reading of each valve before its first fit counts, in every job but this one. Nothing for an
    engine that stands in no list."""
    if job.engine_type is None:
        return defaultdict(Counter)
    last: dict[object, tuple[str, int]] = {}
    rows = (
        ShimReading.objects.filter(
            valve__job__site=job.site,
            valve__job__engine_type=job.engine_type,
            valve__job__family=job.family,
            round=0,
        )
        .exclude(valve__job=job)
        .order_by("sequence")
        .values_list("valve_id", "valve__side", "thickness_nm")
    )
    for valve, side, thickness in rows:
        last[valve] = (side, thickness)
    found: dict[str, Counter[int]] = defaultdict(Counter)
    for side, thickness in last.values():
        found[side][thickness] += 1
    return found
