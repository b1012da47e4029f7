"""What goes into a plan for one engine and what comes out. Lengths are whole nanometres."""

from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal, NamedTuple

from jobs.compute.readings import Verdict

Adjust = Literal["auto", "always", "never"]
Action = Literal["keep", "swap", "stock", "buy", "unresolved", "measure"]
Condition = Literal["new", "used"]
KnownBy = Literal["measured", "marked"]

MAX_LASH_RATIO = Fraction(1000)
"""Far beyond any linkage; with it every product below stays inside 64 bits (see `Problem`)."""
_MAX_NM = 10**9
_MAX_DENOMINATOR = 10**6


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnShim:
    """The shim that sits in a valve now."""

    thickness_nm: int
    known_by: KnownBy
    """Read with a micrometer, or taken from the marking of an unworn face."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Valve:
    """One valve with its cold reading. Raises ValueError when the figures contradict each other."""

    label: str
    min_nm: int
    max_nm: int
    aim_nm: int
    """Where to set it, within [min_nm, max_nm]; windows.default_aim when nobody says."""
    passes_nm: int
    """The thickest leaf that passes; 0 where not even the thinnest does."""
    stops_nm: int
    """The thinnest leaf that does not pass."""
    shim: OwnShim | None
    """None while its thickness is not known."""
    adjust: Adjust = "auto"

    def __post_init__(self) -> None:
        if not 0 <= self.min_nm < self.max_nm <= _MAX_NM:
            raise ValueError(f"{self.label}: the least clearance must be below the most")
        if not self.min_nm <= self.aim_nm <= self.max_nm:
            raise ValueError(f"{self.label}: the aim must lie inside the spec")
        if not 0 <= self.passes_nm < self.stops_nm <= _MAX_NM:
            raise ValueError(f"{self.label}: the leaf that stops must be thicker than the one that passes")
        if self.shim is not None and not 0 < self.shim.thickness_nm <= _MAX_NM:
            raise ValueError(f"{self.label}: the shim's thickness must be above 0")


@dataclass(frozen=True, slots=True, kw_only=True)
class Lot:
    """Shims of one thickness and condition that may be taken from stock. Raises ValueError when empty."""

    thickness_nm: int
    """As measured when used, as marked when new."""
    condition: Condition
    quantity: int
    elsewhere: bool = False
    """Whether it lies at another site and has to be sent first."""

    def __post_init__(self) -> None:
        if self.quantity < 1:
            raise ValueError("a lot holds at least one shim")
        if not 0 < self.thickness_nm <= _MAX_NM:
            raise ValueError("a shim's thickness must be above 0")


@dataclass(frozen=True, slots=True, kw_only=True)
class Uncertainty:
    """How far a thickness may be from the truth."""

    micrometer_nm: int = 4000
    """Of one read with a micrometer: an own shim `measured`, a used shim in stock."""
    unworn_nm: int = 5000
    """Of an unworn marked one: an own shim `marked`, a new shim, a catalogue size."""

    def __post_init__(self) -> None:
        if not (0 <= self.micrometer_nm <= _MAX_NM and 0 <= self.unworn_nm <= _MAX_NM):
            raise ValueError("an uncertainty is not below 0")

    def of_own(self, shim: OwnShim) -> int:
        return self.micrometer_nm if shim.known_by == "measured" else self.unworn_nm

    def of_condition(self, condition: Condition) -> int:
        return self.micrometer_nm if condition == "used" else self.unworn_nm


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One engine and what there is to fit. Raises ValueError for labels that repeat and for figures so
    large that 64-bit arithmetic could not hold them: lengths to a metre, a lash ratio above 0 and up to
    1000 whose denominator is at most a million.
    """

    valves: tuple[Valve, ...]
    lots: tuple[Lot, ...]
    catalogue_nm: tuple[int, ...]
    """Sizes that can be bought, any number of each; order and repeats mean nothing. Empty: buy nothing."""
    lash_ratio: Fraction = Fraction(1)
    """Clearance gained per unit of shim taken away."""
    uncertainty: Uncertainty = field(default_factory=Uncertainty)

    def __post_init__(self) -> None:
        if len({valve.label for valve in self.valves}) != len(self.valves):
            raise ValueError("every valve needs a label of its own")
        if not 0 < self.lash_ratio <= MAX_LASH_RATIO or self.lash_ratio.denominator > _MAX_DENOMINATOR:
            raise ValueError("the lash ratio must be above 0, at most 1000, with at most six decimals")
        if not all(0 < thickness <= _MAX_NM for thickness in self.catalogue_nm):
            raise ValueError("a catalogue size must be above 0")


class Score(NamedTuple):
    """What plans are ranked by, compared left to right, smaller first."""

    unresolved: int
    """Valves that need a change and get no shim."""
    bought: int
    """Shims bought."""
    not_guaranteed: int
    """Changed valves whose new shim is outside the guaranteed window."""
    opened: int
    """Valves whose own shim is not kept, the unresolved ones included."""
    stock_cost: int
    """2 for each new shim taken from stock, 1 for each used one, 2 more from another site, 0 for a swap."""
    deviation_nm: int
    """Sum over changed valves of |called clearance after - aim|, each rounded once to a whole nanometre."""


class NewShim(NamedTuple):
    """A shim other than its own that a valve gets."""

    action: Literal["swap", "stock", "buy"]
    thickness_nm: int
    uncertainty_nm: int
    condition: Condition | None = None
    """None for a swap."""
    from_label: str | None = None
    """The valve it comes out of, for a swap."""
    from_lot: int | None = None
    """Index into `Problem.lots`, for stock."""
    elsewhere: bool = False
    """Whether that lot lies at another site."""


class Choice(NamedTuple):
    """What a plan does with one valve. Figures are None where the plan gives the valve no shim."""

    label: str
    verdict: Verdict
    action: Action
    thickness_nm: int | None
    """The shim that is in the valve after the work; None for unresolved, measure and an unknown kept one."""
    condition: Condition | None
    """Of a shim from stock, and "new" for a bought one; None for a swap and for the own one."""
    from_valve: str | None
    """Label of the valve whose shim it is, for a swap."""
    from_lot: int | None
    """Index into `Problem.lots`, for stock."""
    low_nm: int | None
    """Clearance after: surely not below. For a kept shim today's `passes`."""
    called_nm: int | None
    """Clearance after, by the leaf that passes. All three rounded once to a nanometre, half to even."""
    high_nm: int | None
    """Clearance after: surely not above. For a kept shim today's `stops`."""
    guaranteed: bool | None
    """Whether the clearance is inside the spec for certain."""
    why: str
    """One plain sentence."""


class LeftOver(NamedTuple):
    """An own shim that no valve of the plan takes."""

    thickness_nm: int
    label: str


class ToBuy(NamedTuple):
    """So many shims of a catalogue size."""

    thickness_nm: int
    quantity: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """The best plan for a `Problem`."""

    score: Score
    choices: tuple[Choice, ...]
    """One per valve, in the order of the problem."""
    left_over: tuple[LeftOver, ...]
    """In the order of the valves they come out of."""
    to_buy: tuple[ToBuy, ...]
    """Thinnest first."""
    to_measure: tuple[str, ...]
    """Labels of the valves that need a change but whose shim is unknown, in the order of the problem."""
