"""Which engine a used shim came from, and which it went into: traced through the books.

The books count shims by lot (place, thickness, condition), not one by one. Where a lot holds a single shim,
or shims of one origin, its journey is known; where equal shims of several origins lay together, nobody can
tell them apart, in the drawer no more than in the books.

Promise
    Every shim that leaves a lot is taken to be the one that came first. Where shims of several origins lay
    together when one left, each of them, what left and what stayed, could from then on be any of them: a
    journey names them all in `could_be`, and is `certain` when that is one. Shims that were in no lot when
    they left (the books begin later, or they came new) have no origin. The same movements give the same
    journeys, and every shim that goes into an engine is named once.
"""

from collections import defaultdict, deque
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, replace

Lot = tuple[Hashable, int, str]
"""Place, thickness in nanometres, condition."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One line of a movement: so many shims into a lot (above zero) or out of it (below)."""

    lot: Lot
    quantity: int
    engine: bool
    """Whether the lot's place is the engines: shims come from there and go there one by one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """One movement of one family, in the order of the ledger."""

    seq: int
    job: Hashable
    steps: Sequence[Step]


@dataclass(frozen=True, slots=True, kw_only=True)
class Journey:
    """A shim from the engine that it was taken out of to the one that it went into."""

    from_job: Hashable
    """None where it did not come out of an engine in these books."""
    out_seq: int | None
    out_nm: int | None
    """The thickness at which it was counted when it came out."""
    to_job: Hashable
    in_seq: int
    in_nm: int
    condition: str
    via: tuple[int, ...]
    """The movements between, first to last."""
    could_be: tuple[Hashable, ...]
    """Every job whose engine it may have come out of, in the order in which they took theirs out."""

    @property
    def certain(self) -> bool:
        return len(self.could_be) == 1


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shim:
    job: Hashable = None
    seq: int | None = None
    nm: int | None = None
    via: tuple[int, ...] = ()
    could_be: frozenset[tuple[int, Hashable]] = frozenset({(0, None)})


def journeys(acts: Iterable[Act]) -> tuple[Journey, ...]:
    """Every shim that went into an engine, in the order in which it did."""
    tracer = Tracer()
    return tuple(journey for act in acts for journey in tracer.follow(act))


class Tracer:
    """The shims of one family, followed act by act: it knows where each lies by then."""

    def __init__(self) -> None:
        self._lots: dict[Lot, deque[_Shim]] = defaultdict(deque)

    def follow(self, act: Act) -> list[Journey]:
        """The shims that this act put into an engine."""
        found: list[Journey] = []
        moving: deque[_Shim] = deque()
        for step in act.steps:
            if step.quantity < 0:
                moving.extend(_leaving(self._lots, step, act))
        for step in act.steps:
            for _ in range(max(step.quantity, 0)):
                shim = moving.popleft() if moving else _Shim()
                if step.engine:
                    found.append(_arrived(shim, step, act))
                else:
                    self._lots[step.lot].append(replace(shim, via=(*shim.via, act.seq)))
        return found


def _leaving(lots: dict[Lot, deque[_Shim]], step: Step, act: Act) -> Iterable[_Shim]:
    if step.engine:
        origin = frozenset({(act.seq, act.job)})
        return [_Shim(job=act.job, seq=act.seq, nm=step.lot[1], could_be=origin)] * -step.quantity
    waiting = lots[step.lot]
    together = frozenset[tuple[int, Hashable]]().union(*(shim.could_be for shim in waiting))
    if len(together) > 1:
        waiting = lots[step.lot] = deque(replace(shim, could_be=together) for shim in waiting)
    return [waiting.popleft() if waiting else _Shim() for _ in range(-step.quantity)]


def _arrived(shim: _Shim, step: Step, act: Act) -> Journey:
    _, thickness_nm, condition = step.lot
    jobs = dict.fromkeys(job for _, job in sorted(shim.could_be, key=lambda origin: origin[0]))
    return Journey(
        from_job=shim.job,
        out_seq=shim.seq,
        out_nm=shim.nm,
        to_job=act.job,
        in_seq=act.seq,
        in_nm=thickness_nm,
        condition=condition,
        via=shim.via,
        could_be=tuple(jobs),
    )
