"""What goes into a plan for a whole shop and what comes out. Lengths are whole nanometres."""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from fractions import Fraction
from typing import Literal, NamedTuple

from jobs.compute.planner.types import (
    MAX_LASH_RATIO,
    Condition,
    KnownBy,
    OwnShim,
    Score,
    Uncertainty,
    Valve,
)
from jobs.compute.readings import Verdict

ShopAction = Literal["keep", "swap", "tray", "stock", "order", "buy", "unresolved", "measure"]
"""keep: its own shim; swap: out of another valve, of this engine or of another; tray: a shim without a valve
that lies in a job's tray; stock: from a bin; order: on its way; buy: to be bought."""
Taken = Literal["keep", "swap", "tray", "stock", "order", "buy"]
"""The actions that leave a valve with a shim that is known."""

MAX_WEIGHT = 10**6
_MAX_NM = 10**9
_MAX_DENOMINATOR = 10**6


@dataclass(frozen=True, slots=True, kw_only=True)
class TrayShim:
    """Shims in a job's tray that are out of every valve and promised to none, for example left over from an
    earlier fit."""

    thickness_nm: int
    known_by: KnownBy
    quantity: int = 1

    def as_own(self) -> OwnShim:
        """One of them, as it would sit in a valve."""
        return OwnShim(thickness_nm=self.thickness_nm, known_by=self.known_by)

    def __post_init__(self) -> None:
        if self.quantity < 1 or not 0 < self.thickness_nm <= _MAX_NM:
            raise ValueError("a tray holds at least one shim, thicker than nothing")


def in_one_tray(shims: Iterable[TrayShim], uncertainty: Uncertainty) -> tuple[TrayShim, ...]:
    """The shims of one tray, each thickness once: it is by its thickness that one is found there, so
    where new and used ones lie together, all count as what is known less surely.
    """
    alike: dict[int, list[TrayShim]] = {}
    for shim in shims:
        alike.setdefault(shim.thickness_nm, []).append(shim)
    return tuple(
        TrayShim(
            thickness_nm=thickness,
            known_by=max((shim.as_own() for shim in found), key=uncertainty.of_own).known_by,
            quantity=sum(shim.quantity for shim in found),
        )
        for thickness, found in alike.items()
    )


class Pin(NamedTuple):
    """What an accepted plan has settled for one valve. No later plan moves it."""

    label: str
    action: Taken
    thickness_nm: int | None
    """The shim that the valve will have; None for an own one that is not known."""
    condition: Condition | None = None
    """For stock only. Such a shim is held, so it is not among the lots of the problem; an ordered or bought
    one is not among those on order."""
    from_job: str | None = None
    """Whose valve or tray it comes out of, for swap and tray."""
    from_label: str | None = None
    """The valve it comes out of, for a swap."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenJob:
    """One open job. Raises ValueError for a label that repeats, for pins of valves that it does not have and
    for figures beyond what `planner.Problem` takes."""

    key: str
    """Distinct in the shop."""
    family: str
    """Code of its shim family; shims of other families are nothing to it."""
    valves: tuple[Valve, ...]
    name: str = ""
    """What people call it, for sentences, e.g. "bay 5"; the key when empty."""
    lash_ratio: Fraction = Fraction(1)
    weight: int = 1
    """What completing it counts, 1 to MAX_WEIGHT; see weights.job_weight."""
    on_bench: bool = True
    """Whether the engine is open in a bay now. One that is not gives and takes in one visit, so it cannot
    wait for a shim from a job that waits for one of its own."""
    tray: tuple[TrayShim, ...] = ()
    """Each thickness once: see `in_one_tray`."""
    pins: tuple[Pin, ...] = ()

    def __post_init__(self) -> None:
        labels = {valve.label for valve in self.valves}
        if len(labels) != len(self.valves):
            raise ValueError(f"{self.key}: every valve needs a label of its own")
        if not 0 < self.lash_ratio <= MAX_LASH_RATIO or self.lash_ratio.denominator > _MAX_DENOMINATOR:
            raise ValueError(
                f"{self.key}: the lash ratio must be above 0, at most 1000, six decimals at most"
            )
        if not 1 <= self.weight <= MAX_WEIGHT:
            raise ValueError(f"{self.key}: the weight must be from 1 to {MAX_WEIGHT}")
        pinned = [pin.label for pin in self.pins]
        if len(set(pinned)) != len(pinned) or not labels.issuperset(pinned):
            raise ValueError(f"{self.key}: a pin names one valve of the job, each at most once")

    @property
    def called(self) -> str:
        return self.name or self.key


@dataclass(frozen=True, slots=True, kw_only=True)
class ShopLot:
    """Shims of one family, thickness and condition that may be taken now."""

    family: str
    thickness_nm: int
    """As measured when used, as marked when new."""
    condition: Condition
    quantity: int
    only: str | None = None
    """Key of the job for which they are held already: no other may take them."""

    def __post_init__(self) -> None:
        if self.quantity < 1 or not 0 < self.thickness_nm <= _MAX_NM:
            raise ValueError("a lot holds at least one shim, thicker than nothing")


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderedLot:
    """New shims on their way that are promised to no job.

    They are not in the building: a job that gets one cannot be completed today. But they are paid for:
    they do not count as bought. They have a rank of their own between the two, `ShopScore.awaited`.
    """

    family: str
    thickness_nm: int
    quantity: int
    due: datetime | None = None

    def __post_init__(self) -> None:
        if self.quantity < 1 or not 0 < self.thickness_nm <= _MAX_NM:
            raise ValueError("a lot holds at least one shim, thicker than nothing")


@dataclass(frozen=True, slots=True, kw_only=True)
class Aside:
    """Shims in the building that no plan may take; only sentences speak of them."""

    family: str
    thickness_nm: int
    because: Literal["held", "unmeasured"]
    by: str = ""
    """Who holds it, e.g. "job 12"."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShopProblem:
    """All open jobs of one site and what there is to fit. Raises ValueError for two jobs of one key and for
    pins that take one shim twice or a shim that is not there."""

    jobs: tuple[OpenJob, ...]
    lots: tuple[ShopLot, ...]
    ordered: tuple[OrderedLot, ...] = ()
    catalogue: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    """Per family the sizes that can be bought, any number of each. No entry: buy nothing."""
    aside: tuple[Aside, ...] = ()
    uncertainty: Uncertainty = field(default_factory=Uncertainty)

    def __post_init__(self) -> None:
        jobs = {job.key: job for job in self.jobs}
        if len(jobs) != len(self.jobs):
            raise ValueError("every job needs a key of its own")
        if any(not 0 < nm <= _MAX_NM for sizes in self.catalogue.values() for nm in sizes):
            raise ValueError("a catalogue size must be above 0")
        taken: Counter[tuple[str, str | int]] = Counter()
        for job in self.jobs:
            for pin in job.pins:
                if (pin.from_job is not None) != (pin.action in ("swap", "tray")):
                    raise ValueError(f"{job.key} {pin.label}: from_job does not go with {pin.action}")
                if pin.from_job is None:
                    continue
                giver = jobs.get(pin.from_job)
                if giver is None or giver.family != job.family:
                    raise ValueError(f"{job.key} {pin.label}: there is no job {pin.from_job} of its family")
                taken[pin.from_job, _piece(giver, pin)] += 1
        for (key, piece), times in taken.items():
            if times > _at_hand(jobs[key], piece):
                raise ValueError(f"pins take the shim {piece} of {key} {times} times")


def _piece(giver: OpenJob, pin: Pin) -> str | int:
    """What identifies the shim in the giver: the valve's label, or the thickness in the tray."""
    return (pin.from_label or "") if pin.action == "swap" else (pin.thickness_nm or 0)


def _at_hand(giver: OpenJob, piece: str | int) -> int:
    if isinstance(piece, int):
        return sum(shim.quantity for shim in giver.tray if shim.thickness_nm == piece)
    kept = {pin.label for pin in giver.pins if pin.action == "keep"}
    return sum(
        valve.label == piece and valve.shim is not None and valve.adjust != "never" and piece not in kept
        for valve in giver.valves
    )


class ShopScore(NamedTuple):
    """What plans are ranked by, compared left to right, smaller first. Without orders under way the figures
    from `unresolved` on are those of `planner.Score`, summed over all jobs."""

    waiting: int
    """Weights of the jobs that cannot be completed with what is in the building."""
    unresolved: int
    bought: int
    awaited: int
    """Shims taken from what is on order."""
    not_guaranteed: int
    opened: int
    stock_cost: int
    """2 for each new shim from a bin or on order, 1 for each used one, 1 for each that moves from one job to
    another, 0 for what stays in its engine."""
    deviation_nm: int

    def of_engine(self) -> Score:
        """Without the two figures that only a shop has."""
        return Score(
            self.unresolved,
            self.bought,
            self.not_guaranteed,
            self.opened,
            self.stock_cost,
            self.deviation_nm,
        )


RANKS = ShopScore._fields
NOTHING = ShopScore(*(0 for _ in RANKS))


def added(scores: "list[ShopScore]") -> ShopScore:
    """Figure by figure; all 0 of none."""
    return ShopScore(*(sum(figures) for figures in zip(NOTHING, *scores, strict=True)))


class Pick(NamedTuple):
    """Which shim a valve gets where that is not its own; small, so that parts can be sent and stored."""

    job: str
    label: str
    action: Taken
    thickness_nm: int
    from_job: str | None = None
    from_label: str | None = None
    from_lot: int | None = None
    """Index into `ShopProblem.lots` for stock, into `ordered` for order."""


class Proof(NamedTuple):
    """How far a plan is proven. `unproven` is None when no plan has a smaller score."""

    unproven: str | None = None
    """The first rank, a field of ShopScore, for which a smaller figure is not ruled out."""
    value: int = 0
    """What that figure is."""
    bound: int = 0
    """What it is at least, in any plan whose figures before it are as good."""

    @property
    def gap(self) -> int:
        return self.value - self.bound


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """Jobs that share no shim with any job outside, with what they may take; solved on its own."""

    key: str
    """Distinct among the parts of a problem, the same each time."""
    problem: ShopProblem
    lots: tuple[int, ...]
    """Of each lot its index in the whole problem."""
    ordered: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PartPlan:
    """The plan of one part."""

    key: str
    score: ShopScore
    picks: tuple[Pick, ...]
    """Of the valves that no pin settles, those that get another shim. The rest keep theirs, are unresolved
    or are to be measured."""
    proof: Proof


@dataclass(frozen=True, slots=True, kw_only=True)
class ShopChoice:
    """What a plan does with one valve. Figures are None where the plan gives the valve no shim."""

    label: str
    verdict: Verdict
    action: ShopAction
    thickness_nm: int | None
    condition: Condition | None
    """Of a shim from stock; "new" for one on order or bought; None for one out of an engine."""
    from_job: str | None
    """Key of the job whose valve or tray it comes out of, for swap and tray: its own or another."""
    from_label: str | None
    from_lot: int | None
    """Index into `ShopProblem.lots` for stock, into `ordered` for order; None for a pinned one."""
    low_nm: int | None
    called_nm: int | None
    high_nm: int | None
    guaranteed: bool | None
    pinned: bool
    why: str
    """One plain sentence: why this shim."""
    why_not: str
    """One plain sentence on the nearest shim that would be closer to the aim, and why it is not this one;
    empty where there is none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JobPlan:
    """One job's share of the plan."""

    key: str
    completed: bool
    """Whether it can be completed with what is in the building."""
    score: ShopScore
    """Its own figures."""
    choices: tuple[ShopChoice, ...]
    """One per valve, in the order of the job."""
    ready: datetime | None
    """When the last shim on order that it takes is due; None when none is taken or one has no date."""
    why: str
    """One plain sentence: that it can leave, or what it waits for."""


class HandOver(NamedTuple):
    """A shim that moves from one job to another."""

    from_job: str
    from_label: str | None
    """The valve it comes out of; None when it lies in the tray."""
    to_job: str
    to_label: str
    thickness_nm: int
    say: str
    """The instruction, one sentence."""


class SpareShim(NamedTuple):
    """An own shim that no valve of the plan takes."""

    job: str
    label: str
    thickness_nm: int


class Purchase(NamedTuple):
    """So many shims of a catalogue size."""

    family: str
    thickness_nm: int
    quantity: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ShopPlan:
    """The plan for the whole shop."""

    score: ShopScore
    proof: Proof
    jobs: tuple[JobPlan, ...]
    """In the order of the problem."""
    hand_overs: tuple[HandOver, ...]
    left_over: tuple[SpareShim, ...]
    to_buy: tuple[Purchase, ...]
    """By family, thinnest first."""
    to_measure: tuple[tuple[str, str], ...]
    """Job and label of the valves that need a change but whose shim is unknown."""
    why: tuple[str, ...]
    """The plan in a few sentences."""
