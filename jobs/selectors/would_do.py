"""Which other sizes would do where a plan buys one, and what a valve would have with one of them."""

from collections.abc import Collection
from fractions import Fraction

from jobs.compute.planner import Uncertainty, Valve
from jobs.compute.windows import (
    ClearanceAfter,
    called_window,
    clearance_after,
    guaranteed_window,
)
from jobs.models import Job
from jobs.selectors.problem import uncertainty, valve_of
from jobs.selectors.readings import current_readings


def would_do(job: Job, wanted: Collection[tuple[str, int]]) -> dict[str, tuple[tuple[int, ...], str]]:
    """By label, for (label, size that the plan buys): every size of the family that would do, ascending, and
    of which window they are: "guaranteed", or "called" where the plan's size is in no guaranteed one. Labels
    whose own shim or reading is not known are missing; only the plan's size does there.
    """
    sizes = job.family.sizes_nm()
    bought = dict(wanted)
    found = {}
    for valve in _valves(job, bought):
        for name, fits in (
            ("guaranteed", _guaranteed(job, valve, sizes)),
            ("called", _called(job, valve, sizes)),
        ):
            if bought[valve.label] in fits:
                found[valve.label] = (fits, name)
                break
    return found


def after_with(job: Job, label: str, size_nm: int) -> tuple[ClearanceAfter, bool, int] | None:
    """What a valve would have with a new shim of a size, whether that is guaranteed, and the valve's aim;
    None where its own shim or its reading is not known."""
    for valve in _valves(job, {label}):
        if valve.shim is None:
            return None
        after = clearance_after(
            valve.shim.thickness_nm,
            valve.passes_nm,
            valve.stops_nm,
            size_nm,
            _unsure(valve, uncertainty()),
            Fraction(job.lash_ratio),
        )
        return after, size_nm in _guaranteed(job, valve, (size_nm,)), valve.aim_nm
    return None


def _valves(job: Job, labels: Collection[str]) -> list[Valve]:
    valves = [valve for valve in job.valves.filter(label__in=labels) if valve.shim_nm is not None]
    readings = current_readings(valves)
    return [valve_of(valve, readings[valve.pk]) for valve in valves if valve.pk in readings]


def _guaranteed(job: Job, valve: Valve, sizes: Collection[int]) -> tuple[int, ...]:
    # A reading of 0 is a lower bound of nothing: no shim is guaranteed for it.
    if valve.shim is None or valve.passes_nm == 0:
        return ()
    window = guaranteed_window(
        valve.shim.thickness_nm,
        valve.passes_nm,
        valve.stops_nm,
        valve.min_nm,
        valve.max_nm,
        _unsure(valve, uncertainty()),
        Fraction(job.lash_ratio),
    )
    return tuple(size for size in sizes if window.holds(size))


def _called(job: Job, valve: Valve, sizes: Collection[int]) -> tuple[int, ...]:
    if valve.shim is None:
        return ()
    window = called_window(
        valve.shim.thickness_nm, valve.passes_nm, valve.min_nm, valve.max_nm, Fraction(job.lash_ratio)
    )
    return tuple(size for size in sizes if window.holds(size))


def _unsure(valve: Valve, off: Uncertainty) -> int:
    """ut + us, with a new shim as the other one."""
    measured = valve.shim is not None and valve.shim.known_by == "measured"
    return (off.micrometer_nm if measured else off.unworn_nm) + off.unworn_nm
