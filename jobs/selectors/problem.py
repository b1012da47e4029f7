"""A job as the planner sees it: its valves, what its tray has and the site can spare, what can be bought."""

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import cast

from inventory.compute.lengths import parse_text
from inventory.models import Balance
from inventory.selectors.stock import available_lots, loose_in
from jobs.compute.planner import Adjust, Condition, Lot, OwnShim, Problem, Uncertainty, Valve
from jobs.compute.planner.types import KnownBy
from jobs.models import ClearanceReading, Job, JobValve
from jobs.selectors.own_holds import own_lots
from jobs.selectors.readings import current_readings
from shop.conf import conf
from shop.models import Site


@dataclass(frozen=True, slots=True, kw_only=True)
class JobProblem:
    """`problem.lots[i]` is what is available of `balances[i]`, or held for the job in it already: of lots
    alike the planner empties the first one first, so the same stock always sends the technician to the same
    bins."""

    problem: Problem
    balances: tuple[Balance, ...]
    left_out: tuple[JobValve, ...]
    """Valves that are never opened and were not read: the planner has nothing to say of them."""


def unread(valves: list[JobValve]) -> list[JobValve]:
    """The valves that a plan needs a reading of and has none, in order; [] when it can be made."""
    readings = current_readings(valves)
    return [valve for valve in valves if valve.pk not in readings and valve.adjust != JobValve.Adjust.NEVER]


def problem_of(job: Job, others: Iterable[Site] = ()) -> JobProblem:
    """What to plan. Every valve that may be opened must have been read (see `unread`). `others`: sites whose
    shims are in view besides those of the job's own.

    What is held for the job by hand is there for it, before what anybody may take.
    """
    valves = list(job.valves.order_by("order"))
    readings = current_readings(valves)
    # What an earlier fit left in the job's own tray is nearest.
    lots = [(lot, lot.on_hand - lot.held) for lot in loose_in(job.tray, job.family)]
    lots += own_lots(job)
    for site in (job.site, *others):
        lots += [(lot, lot.on_hand - lot.held) for lot in available_lots(site, job.family)]
    problem = Problem(
        valves=tuple(valve_of(valve, readings[valve.pk]) for valve in valves if valve.pk in readings),
        lots=tuple(
            Lot(
                thickness_nm=balance.thickness_nm,
                condition=cast(Condition, balance.condition),
                quantity=quantity,
                elsewhere=balance.site_id != job.site_id,
            )
            for balance, quantity in lots
        ),
        catalogue_nm=job.family.sizes_nm(),
        lash_ratio=Fraction(job.lash_ratio),
        uncertainty=uncertainty(),
    )
    return JobProblem(
        problem=problem,
        balances=tuple(balance for balance, _ in lots),
        left_out=tuple(valve for valve in valves if valve.pk not in readings),
    )


def uncertainty() -> Uncertainty:
    """How far thicknesses may be off, from the settings."""
    return Uncertainty(
        micrometer_nm=parse_text(conf.micrometer_uncertainty).nm,
        unworn_nm=parse_text(conf.unworn_uncertainty).nm,
    )


def valve_of(valve: JobValve, reading: ClearanceReading) -> Valve:
    """The valve as the planner takes it."""
    shim = None
    if valve.shim_nm is not None:
        shim = OwnShim(thickness_nm=valve.shim_nm, known_by=cast(KnownBy, valve.shim_known_by))
    return Valve(
        label=valve.label,
        min_nm=valve.min_nm,
        max_nm=valve.max_nm,
        aim_nm=valve.aim_nm,
        passes_nm=reading.passes_nm,
        stops_nm=reading.stops_nm,
        shim=shim,
        adjust=cast(Adjust, valve.adjust),
    )
