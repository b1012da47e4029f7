"""Why a valve does not get a shim that would bring it closer to its aim, or gets none at all.

Promise
    `why_not` speaks of the one shim nearest to the aim among all in the building, on order and in the
    catalogue that lie in the valve's called window and are nearer than the chosen one, and says what in the
    plan stands against it. It says nothing where there is none, and nothing it is not sure of.
"""

from bisect import bisect_left, bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from fractions import Fraction
from typing import NamedTuple

from jobs.compute.planner.explain import about_mm, marked_words, mm, own_words, reading_words, why_unresolved
from jobs.compute.planner.kinds import STOCK_COST
from jobs.compute.planner.types import Lot, OwnShim, Problem, Valve
from jobs.compute.readings import Verdict
from jobs.compute.shopplan.explain import taker_words, where_words
from jobs.compute.shopplan.model import BETWEEN_JOBS
from jobs.compute.shopplan.types import OpenJob, Pick, ShopProblem
from jobs.compute.windows import clearance_after, is_guaranteed


class _Shim(NamedTuple):
    """A shim that somebody may ask about."""

    thickness_nm: int
    order: int  # of several of one thickness the one named first
    kind: str  # own, tray, used, new, held, unmeasured, order, buy
    uncertainty_nm: int
    job: str  # whose valve or tray, or for whom it is held
    label: str
    by: str  # who holds it


class Nearer:
    """What is said about the shims of a shop under one plan."""

    def __init__(self, problem: ShopProblem, picks: Mapping[tuple[str, str], Pick]) -> None:
        self._problem = problem
        self._jobs = {job.key: job for job in problem.jobs}
        self._changed = set(picks)
        # What is taken, by what it is; so are the lots, whose shims are alike.
        self._takers: defaultdict[tuple[str, int, str, str], list[Pick]] = defaultdict(list)
        for pick in picks.values():
            self._takers[self._name(pick)].append(pick)
        self._shims: dict[str, list[_Shim]] = {}
        self._sizes: dict[str, list[int]] = {}
        self._many: Counter[tuple[str, int, str, str]] = Counter()
        for family in {job.family for job in problem.jobs}:
            self._shims[family] = sorted(set(self._of_family(family)))
            self._sizes[family] = [shim.thickness_nm for shim in self._shims[family]]
        self._bare: dict[str, tuple[tuple[Lot, ...], tuple[int, ...]]] = {}

    def why_not(self, job: OpenJob, valve: Valve, pick: Pick, *, guaranteed: bool) -> str:
        """One sentence on the nearest shim that is nearer to the aim than the one picked; empty if none."""
        if valve.shim is None:
            return ""
        for shim in self._outward(job, valve, valve.shim, pick.thickness_nm):
            if reason := self._against(job, valve, pick, shim, guaranteed=guaranteed):
                return reason
        return ""

    def _outward(self, job: OpenJob, valve: Valve, own: OwnShim, thickness_nm: int) -> Iterator[_Shim]:
        """The shims in the valve's called window that are nearer to its aim than this thickness, the nearest
        first; all but its own one.
        """
        shims, sizes = self._shims[job.family], self._sizes[job.family]
        # In q-ths of a nanometre for a lash ratio of p / q; how far from the thickness that the aim needs.
        p, q = job.lash_ratio.numerator, job.lash_ratio.denominator
        aim = own.thickness_nm * p + (valve.passes_nm - valve.aim_nm) * q
        off = abs(thickness_nm * p - aim)
        most = (valve.aim_nm - valve.min_nm) * q, (valve.max_nm - valve.aim_nm) * q
        above = bisect_left(sizes, Fraction(aim, p))
        below = above - 1
        while True:
            up = sizes[above] * p - aim if above < len(sizes) else off
            down = aim - sizes[below] * p if below >= 0 else off
            up, down = (up if up <= most[0] else off), (down if down <= most[1] else off)
            if min(up, down) >= off:
                return
            if down <= up:
                # Of one thickness the one named first comes first.
                first = bisect_left(sizes, sizes[below])
                found, below = shims[first : below + 1], first - 1
            else:
                after = bisect_right(sizes, sizes[above])
                found, above = shims[above:after], after
            yield from (shim for shim in found if (shim.job, shim.label) != (job.key, valve.label))

    def why_unresolved(self, job: OpenJob, valve: Valve, said: Verdict, taker: str | None) -> str:
        """For a valve that gets no shim. `taker` is the valve that gets its own one, if any does."""
        if taker is not None and valve.min_nm <= valve.passes_nm <= valve.max_nm:
            marked = marked_words(valve, said) or f", but its {own_words(valve)} shim is promised to {taker}"
            return f"{reading_words(valve, said)}{marked}; no other fits and can be had."
        lots, sizes = self._everything(job.family)
        asked = Problem(valves=(valve,), lots=lots, catalogue_nm=sizes, lash_ratio=job.lash_ratio)
        return why_unresolved(asked, valve, said)

    def _everything(self, family: str) -> tuple[tuple[Lot, ...], tuple[int, ...]]:
        if family not in self._bare:
            lots = [
                Lot(thickness_nm=shim.thickness_nm, condition="used", quantity=1)
                for shim in self._shims[family]
                if shim.kind in ("own", "tray", "order") or (shim.kind in ("used", "new") and not shim.job)
            ]
            self._bare[family] = tuple(lots), tuple(self._problem.catalogue.get(family, ()))
        return self._bare[family]

    def _of_family(self, family: str) -> Iterator[_Shim]:
        unsure = self._problem.uncertainty
        for job in self._problem.jobs:
            if job.family != family:
                continue
            for valve in job.valves:
                if valve.shim is not None and valve.adjust != "never":
                    half = unsure.of_own(valve.shim)
                    shim = _Shim(valve.shim.thickness_nm, 0, "own", half, job.key, valve.label, "")
                    yield self._counted(shim, 1)
            for lying in job.tray:
                half = unsure.of_own(OwnShim(thickness_nm=lying.thickness_nm, known_by=lying.known_by))
                yield self._counted(
                    _Shim(lying.thickness_nm, 1, "tray", half, job.key, "", ""), lying.quantity
                )
        for lot in self._problem.lots:
            if lot.family == family:
                half = unsure.of_condition(lot.condition)
                place = 2 + (lot.condition == "new")
                kind = _Shim(lot.thickness_nm, place, lot.condition, half, lot.only or "", "", "")
                yield self._counted(kind, lot.quantity)
        for aside in self._problem.aside:
            if aside.family == family:
                yield _Shim(aside.thickness_nm, 4, aside.because, 0, "", "", aside.by)
        for ordered in self._problem.ordered:
            if ordered.family == family:
                half = unsure.of_condition("new")
                shim = _Shim(ordered.thickness_nm, 5, "order", half, "", "", "")
                yield self._counted(shim, ordered.quantity)
        for size in self._problem.catalogue.get(family, ()):
            yield _Shim(size, 6, "buy", unsure.of_condition("new"), "", "", "")

    def _counted(self, shim: _Shim, quantity: int) -> _Shim:
        self._many[shim.kind, shim.thickness_nm, shim.job, shim.label] += quantity
        return shim

    def _name(self, pick: Pick) -> tuple[str, int, str, str]:
        match pick.action:
            case "swap":
                return "own", pick.thickness_nm, pick.from_job or "", pick.from_label or ""
            case "tray":
                return "tray", pick.thickness_nm, pick.from_job or "", ""
            case "stock" if pick.from_lot is not None:
                lot = self._problem.lots[pick.from_lot]
                return lot.condition, pick.thickness_nm, lot.only or "", ""
            case _:
                return pick.action, pick.thickness_nm, "", ""

    def _against(self, job: OpenJob, valve: Valve, pick: Pick, shim: _Shim, *, guaranteed: bool) -> str:
        """What stands against this shim, or nothing if that cannot be said for sure."""
        one = f"The nearer {mm(shim.thickness_nm)} mm shim"
        if shim.kind == "held":
            return f"{one} is held by {shim.by or 'somebody else'}."
        if shim.kind == "unmeasured":
            return f"{one} has not been measured since it came out of an engine."
        if shim.kind in ("used", "new") and shim.job not in ("", job.key):
            return f"{one} is held for {self._jobs[shim.job].called}."
        name = (shim.kind, shim.thickness_nm, shim.job, shim.label)
        if shim.kind == "own" and (shim.job, shim.label) not in self._changed and not self._takers[name]:
            giver = self._jobs[shim.job]
            return f"{one} stays in {taker_words(job, giver, shim.label)}."
        takers = self._takers[name]
        if shim.kind != "buy" and len(takers) >= self._many[name]:
            other = takers[0]
            return f"{one} goes to {taker_words(job, self._jobs[other.job], other.label)}."
        if guaranteed and (after := self._not_sure(job, valve, shim)):
            return f"{one} would be guaranteed only to end between {after}."
        if shim.kind in ("order", "buy") and pick.action != shim.kind:
            return f"{one} {'is still on order' if shim.kind == 'order' else 'would have to be bought'}."
        return self._dearer(job, pick, shim, one)

    def _not_sure(self, job: OpenJob, valve: Valve, shim: _Shim) -> str:
        """The clearances between which it would surely end, where that is not inside the spec."""
        if valve.shim is None:
            return ""
        unsure = self._problem.uncertainty.of_own(valve.shim) + shim.uncertainty_nm
        after = clearance_after(
            valve.shim.thickness_nm,
            valve.passes_nm,
            valve.stops_nm,
            shim.thickness_nm,
            unsure,
            job.lash_ratio,
        )
        if is_guaranteed(after, valve.passes_nm, valve.min_nm, valve.max_nm):
            return ""
        return f"{about_mm(round(after.low))} and {about_mm(round(after.high))} mm"

    def _dearer(self, job: OpenJob, pick: Pick, shim: _Shim, one: str) -> str:
        if self._cost(job, shim) <= self._picked_cost(job, pick):
            return ""
        if shim.kind == "new":
            return f"{one} is new, and a shim that has been used goes first."
        if shim.kind == "used":
            return f"{one} lies in a bin, and what is in the engine already goes first."
        where = where_words(job, self._jobs[shim.job], shim.label or None)
        return f"{one} {where} would have to be carried over."

    def _cost(self, job: OpenJob, shim: _Shim) -> int:
        if shim.kind in ("used", "new"):
            return STOCK_COST["used" if shim.kind == "used" else "new"]
        return BETWEEN_JOBS if shim.job not in ("", job.key) else 0

    def _picked_cost(self, job: OpenJob, pick: Pick) -> int:
        if pick.action == "stock" and pick.from_lot is not None:
            return STOCK_COST[self._problem.lots[pick.from_lot].condition]
        return BETWEEN_JOBS if pick.from_job not in (None, job.key) else 0
