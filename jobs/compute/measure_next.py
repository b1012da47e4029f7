"""Which shim to measure next, when those that are known cannot set every valve right.

Promise
    `measure_next` looks at valves in spec whose shim nobody has measured. For each it asks, thickness by
    thickness, whether the engine's best plan would leave fewer valves without a shim or buy fewer if its
    shim were that thick, by planning again. With how often shims of each thickness were found in such
    engines that gives the probability that measuring it helps, and with how many more valves are opened, the
    probability per opening, by which the answer is ranked. All of it is exact in whole numbers and
    fractions. Nothing is guessed into a plan: a shim counts there once it is measured.

The probability
    `History` counts what was found in engines of this type on this side, at the nearest size that is made.
    To these are added `PRIOR_SHIMS` shims spread evenly over all sizes made, which stand for knowing
    nothing; with little history the answer leans on them and says so.

Limits
    Shims of one engine are taken as drawn one by one; that neighbours are alike is not used. One valve is
    looked at at a time; what two would do together is asked again once the first is measured.
"""

from bisect import bisect_left
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import ceil, floor
from typing import NamedTuple

from jobs.compute.planner import OwnShim, Plan, Problem, Valve, chosen_shims, needs_change, plan_engine
from jobs.compute.windows import called_window

PRIOR_SHIMS = 8
"""How many shims, spread evenly over all sizes, knowing nothing counts as (common sense, no source)."""
LITTLE = 24
"""Below so many shims seen, the answer rests on little."""


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """What was found in engines of one type on one side."""

    found: Mapping[int, int]
    """How often each thickness in nm was found; {} when no such engine was seen."""
    sizes_nm: tuple[int, ...]
    """The sizes of the family. Raises ValueError when there is none."""

    def __post_init__(self) -> None:
        if not self.sizes_nm:
            raise ValueError("a family has at least one size")

    @property
    def seen(self) -> int:
        return sum(self.found.values())

    def chances(self) -> dict[int, Fraction]:
        """The probability of each size, thinnest first; they sum to 1."""
        sizes = sorted(set(self.sizes_nm))
        counted: Counter[int] = Counter()
        for thickness, times in self.found.items():
            counted[min(sizes, key=lambda size: (abs(size - thickness), size))] += times
        total = self.seen + PRIOR_SHIMS
        each = Fraction(PRIOR_SHIMS, len(sizes))
        return {size: (counted[size] + each) / total for size in sizes}


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A valve in spec whose shim might help."""

    label: str
    probability: Fraction
    """That its shim lets the engine do with fewer valves unresolved or fewer shims bought."""
    openings: Fraction
    """How many more valves are opened by trying, on average: itself, and where it helps what follows."""
    helps: tuple[int, ...]
    """The thicknesses that would help, thinnest first."""
    seen: int
    """On how many shims of such engines the probability rests."""

    @property
    def per_opening(self) -> Fraction:
        return self.probability / self.openings

    @property
    def rests_on_little(self) -> bool:
        return self.seen < LITTLE


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureNext:
    """What to measure, if anything."""

    wanting: tuple[str, ...]
    """Labels of the valves that known shims cannot set right: unresolved, or set right only by buying."""
    anyway: tuple[str, ...]
    """Labels of the valves that have to be opened and measured in any case: they need a change."""
    candidates: tuple[Candidate, ...]
    """The best first: the most probable per opening, then in the order of the engine."""


def measure_next(problem: Problem, histories: Mapping[str, History]) -> MeasureNext:
    """What to measure next. `histories` gives, by the label of every valve whose shim is unknown, what was
    found in such engines on its side; a valve that is missing there is not looked at.
    """
    now = plan_engine(problem)
    wanting = tuple(choice.label for choice in now.choices if choice.action in ("unresolved", "buy"))
    candidates: list[Candidate] = []
    if wanting:
        useful = _useful_windows(problem, now)
        before = _chosen(problem)
        # Valves that are alike but for their names stand in each other's stead.
        asked: dict[tuple[Valve, int], Candidate] = {}
        for index, valve in enumerate(problem.valves):
            if _may_give(valve) and valve.label in histories:
                alike = (replace(valve, label=""), id(histories[valve.label]))
                if alike not in asked:
                    asked[alike] = _candidate(problem, before, index, useful, histories[valve.label])
                candidates.append(replace(asked[alike], label=valve.label))
    found = [candidate for candidate in candidates if candidate.probability]
    return MeasureNext(
        wanting=wanting,
        anyway=now.to_measure,
        candidates=tuple(sorted(found, key=lambda candidate: -candidate.per_opening)),
    )


def _may_give(valve: Valve) -> bool:
    return valve.shim is None and valve.adjust == "auto" and valve.min_nm <= valve.passes_nm <= valve.max_nm


class _Chosen(NamedTuple):
    """What matters here of an engine's best plan."""

    short: tuple[int, int]
    """Valves unresolved, shims bought."""
    opened: frozenset[int]
    """Valves whose own shim is not kept, by their places."""


def _chosen(problem: Problem) -> _Chosen:
    new = chosen_shims(problem)
    unresolved = {
        index
        for index, valve in enumerate(problem.valves)
        if index not in new and valve.shim is not None and needs_change(valve)
    }
    bought = sum(shim.action == "buy" for shim in new.values())
    return _Chosen((len(unresolved), bought), frozenset(unresolved | new.keys()))


def _candidate(
    problem: Problem, before: _Chosen, index: int, useful: Sequence[range], history: History
) -> Candidate:
    valve = problem.valves[index]
    probability, openings = Fraction(0), Fraction(1)
    helps = []
    others = [other.shim.thickness_nm for other in problem.valves if other.shim is not None]
    to_be_had = sorted({*others, *(lot.thickness_nm for lot in problem.lots), *problem.catalogue_nm})
    for size, chance in history.chances().items():
        # Nobody who could pass the gain on can take it, or the valve itself could take nothing instead: then
        # the plan stays as it is.
        if not any(size in window for window in useful):
            continue
        window = _window(valve, size, problem.lash_ratio)
        place = bisect_left(to_be_had, window.start)
        if place == len(to_be_had) or to_be_had[place] not in window:
            continue
        then = _chosen(_with_shim(problem, index, size))
        if then.short < before.short:
            probability += chance
            helps.append(size)
            # To look at it the valve is opened in any case; what else is opened comes on top.
            openings += chance * max(len(then.opened - {index}) - len(before.opened), 0)
    return Candidate(
        label=valve.label,
        probability=probability,
        openings=openings,
        helps=tuple(helps),
        seen=history.seen,
    )


def _with_shim(problem: Problem, index: int, thickness_nm: int) -> Problem:
    valves = list(problem.valves)
    valves[index] = replace(valves[index], shim=OwnShim(thickness_nm=thickness_nm, known_by="measured"))
    return replace(problem, valves=tuple(valves))


def _window(valve: Valve, shim_nm: int, lash_ratio: Fraction) -> range:
    """The thicknesses that this valve, its own shim being so thick, could take."""
    window = called_window(shim_nm, valve.passes_nm, valve.min_nm, valve.max_nm, lash_ratio)
    return range(ceil(window.low), floor(window.high) + 1)


def _useful_windows(problem: Problem, now: Plan) -> list[range]:
    """The windows of the valves that could pass a gain on.

    One more shim makes a best plan better only along a chain: somebody takes it and leaves what he has to
    the next, until one takes something who has none now or a bought one (two assignments differ by such
    chains and by rings). So these are the valves that want, and those whose shim in the best plan one of
    these could take.
    """
    holders: list[tuple[range, int]] = []
    useful: list[range] = []
    for valve, choice in zip(problem.valves, now.choices, strict=True):
        if valve.shim is None or valve.adjust == "never":
            continue
        window = _window(valve, valve.shim.thickness_nm, problem.lash_ratio)
        if choice.action in ("unresolved", "buy") or choice.thickness_nm is None:
            useful.append(window)
        else:
            holders.append((window, choice.thickness_nm))
    for taker in useful:
        for holder in [holder for holder in holders if holder[1] in taker]:
            holders.remove(holder)
            useful.append(holder[0])
    return useful
