"""From past engines to what may be found under this cover."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import cycle

from jobs.compute.beforehand.types import Cases, Change, Engine, Found, PastEngine, Position
from jobs.compute.planner import OwnShim, Uncertainty, Valve

TIMES = 4
"""How often one past change is used at most, with other thicknesses for shims that nobody knows."""


def cases_of_type(engine: Engine, past: Sequence[PastEngine], most: int) -> Cases:
    """Each past engine as it was found, newest first, `most` of them."""
    pool = _Pool(engine, past)
    made: list[tuple[Valve, ...]] = []
    left_out = 0
    for one in past[:most]:
        valves = _whole(engine.positions, one.valves, pool)
        if valves is None:
            left_out += 1
        else:
            made.append(valves)
    return Cases(engines=tuple(made), rest_on=len(made), left_out=left_out)


def cases_of_engine(
    engine: Engine,
    left: Mapping[str, Found],
    changes: Sequence[Change],
    past: Sequence[PastEngine],
    most: int,
) -> Cases:
    """The engine as it was left (`left` by label), changed as each of `changes`, newest first. Where a
    shim that nobody measured has to be changed, each change is used a few times; `most` cases in all.
    """
    positions = tuple(position for position in engine.positions if position.label in left)
    labels = {position.label for position in positions}
    whole = [change for change in changes[:most] if labels <= change.by_nm.keys()]
    pool = _Pool(engine, past)
    ways = [{label: _changed(left[label], change.by_nm[label]) for label in labels} for change in whole]
    drawn = any(_is_drawn(position, found[position.label]) for found in ways for position in positions)
    times = max(min(TIMES, most // len(whole)), 1) if drawn else 1
    made: list[tuple[Valve, ...]] = []
    usable = 0
    for found in ways:
        draws = [_whole(positions, found, pool) for _ in range(times)]
        cases = [valves for valves in draws if valves is not None]
        made += cases
        usable += bool(cases)
    return Cases(
        engines=tuple(made) if labels else (),
        rest_on=usable if labels else 0,
        left_out=len(changes[:most]) - usable,
        said_nothing_of=tuple(p.label for p in engine.positions if p.label not in labels),
    )


def change_between(
    left: Mapping[str, Found], found: Mapping[str, Found], uncertainty: Uncertainty
) -> Change | None:
    """How an engine changed from how it was left to how it was found; valves read both times. None where a
    shim is not the one that was left there: somebody else had the cover off."""
    for label in left.keys() & found.keys():
        was, now = left[label].shim, found[label].shim
        if was is not None and now is not None:
            apart = abs(was.thickness_nm - now.thickness_nm)
            if apart > uncertainty.of_own(was) + uncertainty.of_own(now):
                return None
    return Change(
        by_nm={label: now.passes_nm - left[label].passes_nm for label, now in found.items() if label in left}
    )


def _changed(left: Found, by_nm: int) -> Found:
    """With no less than no clearance; between the leaves as wide as before."""
    passes = max(left.passes_nm + by_nm, 0)
    return Found(passes_nm=passes, stops_nm=passes + left.stops_nm - left.passes_nm, shim=left.shim)


def _is_drawn(position: Position, found: Found) -> bool:
    """Whether the valve needs a change and nobody knows its shim."""
    return found.shim is None and not position.min_nm <= found.passes_nm <= position.max_nm


def _whole(
    positions: Sequence[Position], found: Mapping[str, Found], pool: "_Pool"
) -> tuple[Valve, ...] | None:
    """The engine's valves. None where one was not read, or needs a change and neither its own shim nor any of
    its side is known."""
    if any(position.label not in found for position in positions):
        return None
    valves = []
    for position in positions:
        one = found[position.label]
        shim = pool.take(position.side) if _is_drawn(position, one) else one.shim
        if shim is None and _is_drawn(position, one):
            return None
        valves.append(_valve(position, one, shim))
    return tuple(valves)


def _valve(position: Position, found: Found, shim: OwnShim | None) -> Valve:
    return Valve(
        label=position.label,
        min_nm=position.min_nm,
        max_nm=position.max_nm,
        aim_nm=position.aim_nm,
        passes_nm=found.passes_nm,
        stops_nm=found.stops_nm,
        shim=shim,
    )


@dataclass(slots=True)
class _Pool:
    """The thicknesses that were found in such engines, by side; each is taken in its turn."""

    engine: Engine
    past: Sequence[PastEngine]
    _turns: dict[str, Iterator[int]] = field(default_factory=dict)

    def take(self, side: str) -> OwnShim | None:
        if side not in self._turns:
            self._turns[side] = cycle(self._found(side))
        thickness = next(self._turns[side], None)
        return None if thickness is None else OwnShim(thickness_nm=thickness, known_by="measured")

    def _found(self, side: str) -> list[int]:
        labels = [position.label for position in self.engine.positions if position.side == side]
        return [one.shims[label] for one in self.past for label in labels if label in one.shims]
