"""What is looked back on after fitting, and what comes of it. Lengths are whole nanometres."""

from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal

from jobs.compute.planner.types import KnownBy, Uncertainty

CauseKind = Literal[
    "exchange",
    "ring",
    "unit_before",
    "unit_after",
    "unit_removed",
    "unit_fitted",
    "upside_down",
    "wrong_reading",
]
"""exchange: two shims in each other's places; ring: three that went round, each valve with the next one's;
unit_*: a figure keyed in the wrong unit, namely the clearance
before or after or the thickness of the shim that came out or went in; upside_down: a used shim with its worn
face to the cam; wrong_reading: a clearance, before or after, that cannot be right."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedValve:
    """One valve before and after the fit. Raises ValueError when the figures contradict each other."""

    label: str
    before_nm: tuple[int, int]
    """The reading before, as passes and stops."""
    after_nm: tuple[int, int]
    """The reading after, as passes and stops."""
    removed_nm: int
    """The shim that was in the valve before."""
    removed_known_by: KnownBy
    fitted_nm: int
    """The shim that is said to be in it now."""
    fitted_known_by: KnownBy
    round: int = 1
    """Which fit of the job it is: two shims were in hand together only in the same one."""
    opened: bool = True
    """False for a valve that was left closed: its shim is the same, whatever its thickness."""
    inches: bool = False
    """Whether the readings were keyed in inches or thousandths of them."""
    used: bool = False
    """Whether the shim that went in has run before, so that one of its faces may be worn."""

    def __post_init__(self) -> None:
        for passes, stops in (self.before_nm, self.after_nm):
            if not 0 <= passes < stops:
                raise ValueError(f"{self.label}: 0 <= passes < stops does not hold for {passes} and {stops}")
        if self.removed_nm <= 0 or self.fitted_nm <= 0:
            raise ValueError(f"{self.label}: a shim's thickness must be above 0")


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitting:
    """The valves of one engine around one fit. Raises ValueError for labels that repeat."""

    valves: tuple[FittedValve, ...]
    lash_ratio: Fraction = Fraction(1)
    uncertainty: Uncertainty = field(default_factory=Uncertainty)
    made_nm: tuple[int, int] | None = None
    """The thinnest and thickest shim of the family, used ones included; None where that is not known."""

    def __post_init__(self) -> None:
        if len({valve.label for valve in self.valves}) != len(self.valves):
            raise ValueError("every valve needs a label of its own")


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One valve, predicted against measured."""

    label: str
    predicted_nm: tuple[int, int] | None
    """Between what the clearance was to lie, leaves and micrometers allowed for; None where the reading
    before was 0, from which nothing follows."""
    called_nm: int | None
    """What was to be called."""
    measured_nm: tuple[int, int]
    off_nm: int | None
    """Called after less what was to be called: above 0 where it came out looser."""
    differs: bool
    """Whether predicted and measured lie apart."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One thing that may have happened."""

    kind: CauseKind
    labels: tuple[str, ...]
    probability: float
    """Given the readings and that at most one thing happened to these valves."""
    say: str
    """One plain sentence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something that most likely happened, or that something did although it cannot be told what."""

    labels: tuple[str, ...]
    """The valves it is about."""
    causes: tuple[Cause, ...]
    """The likeliest first; those too unlikely to be worth a word are left out."""
    explained: bool
    """Whether the first cause is likely enough to be named as what happened."""
    say: str
    """What happened and how sure that is, in plain sentences."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LookBack:
    """What the readings after a fit say."""

    outcomes: tuple[Outcome, ...]
    """One per valve, in the order of the fitting."""
    findings: tuple[Finding, ...]
    """The surest first."""
    unexplained: tuple[str, ...]
    """Labels of valves that differ and of which no finding speaks."""
    alike: tuple[tuple[str, str], ...]
    """Pairs of valves whose shims differ, but by too little: these two cannot be told apart by the leaf."""

    @property
    def to_answer_for(self) -> tuple[str, ...]:
        """Labels of all valves with a difference or a finding, in the order of the fitting."""
        named = {label for finding in self.findings for label in finding.labels} | set(self.unexplained)
        return tuple(one.label for one in self.outcomes if one.label in named)
