"""A technician at one engine: reads its leaves, measures its shims, and does what the plan says.

Acts go through the services of jobs; what they are told comes from the engine as it truly is (seats.py).
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from random import Random

from inventory.compute.lengths import Length, Unit, from_nm, parse, show
from inventory.compute.sizes import nearest_size
from jobs.compute.readings import verdict
from jobs.models import Job, JobValve, Plan
from jobs.selectors.plans import CHANGES
from jobs.services.fitting import fit_job
from jobs.services.planning import accept_plan, plan_job
from jobs.services.readings import FeelerInput, ShimInput, key_clearances, key_shims
from shop.actor import Actor
from shop.demo.seats import HUNDREDTH_NM, THOU_NM, TrueEngine

# So often the leaf above the one that passes is tried and keyed too; else the next leaf is meant anyway.
STOPS_KEYED = 0.15
# So often a shim looks unworn and its marking is taken instead of a measurement.
MARKING_TRUSTED = 0.08


@dataclass(slots=True, kw_only=True)
class JobWork:
    """One job with the engine it is about. `job` is the one that the last act returned."""

    job: Job
    engine: TrueEngine
    technician: Actor
    rng: Random
    valves: list[JobValve]

    def read(self, at: datetime, labels: Iterable[str] | None = None) -> dict[str, int]:
        """Key in the leaf that passes for these valves, or for all; answers label -> nm."""
        metric = self.job.unit == Unit.MM
        leaf_nm = HUNDREDTH_NM if metric else THOU_NM
        readings, called = {}, {}
        for label in self._labels(labels):
            called[label] = self.engine.leaf_that_passes(label, leaf_nm)
            stops = self._leaf(called[label] + leaf_nm) if self.rng.random() < STOPS_KEYED else None
            readings[label] = FeelerInput(passes=self._leaf(called[label]), stops=stops)
        self.job = key_clearances(job=self.job, actor=self.technician, at=at, readings=readings)
        return called

    def measure(self, at: datetime, labels: Iterable[str]) -> None:
        """Pull these valves' shims and key in what the micrometer, or now and then the marking, says."""
        shims = {}
        for label in self._labels(labels):
            known_by, thickness_nm = JobValve.KnownBy.MEASURED, self.engine.micrometer(label)
            if self.rng.random() < MARKING_TRUSTED:
                known_by = JobValve.KnownBy.MARKED
                thickness_nm = nearest_size(self.job.family.range, thickness_nm)
            shims[label] = ShimInput(thickness=in_mm(thickness_nm), known_by=known_by)
        self.job = key_shims(job=self.job, actor=self.technician, at=at, shims=shims)

    def out_of_spec(self, called: dict[str, int]) -> list[str]:
        """The valves of these readings that need another shim, in the engine's order."""
        return [
            valve.label
            for valve in self.valves
            if valve.label in called
            and verdict(called[valve.label], called[valve.label] + 1, valve.min_nm, valve.max_nm)
            in ("tight", "loose")
        ]

    def plan(self, at: datetime) -> Plan:
        return plan_job(job=self.job, actor=self.technician, at=at)

    def accept(self, plan: Plan, at: datetime) -> None:
        accept_plan(plan=plan, actor=self.technician, at=at)
        self.job.refresh_from_db()

    def fit(self, plan: Plan, at: datetime) -> None:
        """Fit everything as planned, in the books and in the engine."""
        self.job = fit_job(job=self.job, actor=self.technician, at=at)
        changed = [line for line in plan.lines.all() if line.action in CHANGES]
        self.engine.fit(
            swaps={line.label: line.from_valve for line in changed if line.from_valve},
            others={line.label: line.thickness_nm for line in changed if not line.from_valve},
        )

    def _labels(self, labels: Iterable[str] | None) -> list[str]:
        wanted = {valve.label for valve in self.valves} if labels is None else set(labels)
        return [valve.label for valve in self.valves if valve.label in wanted]

    def _leaf(self, nm: int) -> Length:
        if self.job.unit == Unit.MM:
            return parse(show(nm, places=2), Unit.MM)
        return from_nm(nm, Unit.THOU)


def in_mm(nm: int) -> Length:
    """A thickness as a person keys it: in mm, three decimals."""
    return parse(show(nm, places=3), Unit.MM)
