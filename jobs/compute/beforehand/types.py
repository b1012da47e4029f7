"""What a look ahead takes and gives. Lengths are whole nanometres."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal

from inventory.compute.sizes import FamilyRange
from jobs.compute.planner import OwnShim, Uncertainty, Valve

SizeState = Literal["missing", "short", "last", "here"]
"""Wanted and none is there; too few that fit are there; one is there; enough are there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Position:
    """A valve of the engine type, with the spec that is asked of it today."""

    label: str
    side: str
    min_nm: int
    max_nm: int
    aim_nm: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Engine:
    """What is the same for every engine of the type."""

    positions: tuple[Position, ...]
    family: FamilyRange
    lash_ratio: Fraction = Fraction(1)
    uncertainty: Uncertainty = field(default_factory=Uncertainty)


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One valve as it was found, or as it was left: the reading, and the shim where it is known."""

    passes_nm: int
    stops_nm: int
    shim: OwnShim | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PastEngine:
    """One engine as it came in: by label, the valves that were read. `shims` by label holds every thickness
    that was found, of valves that were not read too."""

    valves: Mapping[str, Found]
    shims: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """How one engine changed between two visits: by label, by how much more clearance the leaf called."""

    by_nm: Mapping[str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cases:
    """What may be found under the cover."""

    engines: tuple[tuple[Valve, ...], ...]
    """Each case's valves, as the planner takes them."""
    rest_on: int
    """How many past engines, or past changes, the cases were made of; 0 where there is no case."""
    left_out: int
    """How many more there were that could not be used: not read whole, or with a shim that nobody knows."""
    said_nothing_of: tuple[str, ...] = ()
    """Labels of valves that no case speaks of: they were not read last time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """What the cases want of one made size; used shims from bins count with the nearest."""

    size_nm: int
    wanted: int
    """In how many cases one is taken from a bin or bought."""
    bought: int
    """In how many cases one has to be bought."""
    most: int
    """How many one engine takes at most."""
    order: int
    """How many to order today; 0 where the building, with what is on its way, will do."""
    state: SizeState


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """How likely it is that an engine can be done with what is in the building. Every count is of cases."""

    cases: int
    rest_on: int
    done: int
    """Nothing is bought and no valve is left without a shim."""
    unresolved: int
    """For some valve no shim that is made would do."""
    low: Fraction | None
    """Wilson's bounds of the chance, each a whole number of hundredths, drawn apart; None without a case."""
    high: Fraction | None
    sizes: tuple[Size, ...]
    """The most wanted first, then the thinnest."""
    with_order: int
    """As `done`, with what is on its way and what `sizes` says to order in the bins too."""

    @property
    def chance(self) -> Fraction | None:
        """None without a case."""
        return Fraction(self.done, self.cases) if self.cases else None
