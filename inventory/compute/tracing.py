"""Follows shims through a site's movements, act by act. What it promises stands in `journeys`."""

from bisect import bisect_left
from collections import OrderedDict, defaultdict, deque
from collections.abc import Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from inventory.compute.journeys import UNKNOWN, Act, Journey, Lot, Origin, Origins, Step, Where, unite

RECENT = 1_000
"""So many acts back a reversal is taken in without beginning anew."""
Kind = tuple[Hashable, int, str]
"""Family, thickness, condition."""


class UnforeseenError(Exception):
    """A reversal that what was traced cannot take in: begin anew, with what it reverses told as reversed."""


class _Shim(NamedTuple):
    """The one that is taken to be meant: out of which engine, and at what thickness."""

    origin: Origin
    nm: int | None


class _Run(NamedTuple):
    """So many equal shims on their way."""

    shim: _Shim
    origins: Origins
    count: int


_ANY_SHIM = _Shim(UNKNOWN, None)


@dataclass(slots=True)
class _Lot:
    """waiting: the shims in it, the one that came first first. pool: what any of them may be. began: the
    movement with which the pool did. awaits: how many movements out of it will be reversed; till then nobody
    knows that it is empty."""

    began: int
    waiting: deque[tuple[_Shim, int]] = field(default_factory=deque)
    pool: Origins = ()
    awaits: int = 0

    def take(self, count: int, *, last: bool) -> Iterator[_Run]:
        """The first that came, else the last."""
        while count:
            if not self.waiting:
                yield _Run(_ANY_SHIM, unite(self.pool, (UNKNOWN,)), count)
                return
            shim, there = self.waiting.pop() if last else self.waiting.popleft()
            taken = min(there, count)
            if there > taken:
                put = self.waiting.append if last else self.waiting.appendleft
                put((shim, there - taken))
            yield _Run(shim, self.pool, taken)
            count -= taken

    def put(self, run: _Run, *, first: bool) -> None:
        self.pool = unite(self.pool, run.origins)
        if first:
            self.waiting.appendleft((run.shim, run.count))
        elif self.waiting and self.waiting[-1][0] == run.shim:
            self.waiting.append((run.shim, self.waiting.pop()[1] + run.count))
        else:
            self.waiting.append((run.shim, run.count))


@dataclass(slots=True)
class _Moved:
    """What an act moved, as far as its reversal needs it.

    left: the lots that it took shims from, with what these could be. gone: what went where it is not traced,
    by lot; under None where the site's books do not say where. undone: the journeys that it took back.
    stands_as: the movement under which its own are told.
    """

    stands_as: int
    regrades: bool
    left: dict[Lot, Origins] = field(default_factory=dict)
    gone: dict[Lot | None, deque[_Run]] = field(default_factory=lambda: defaultdict(deque))
    undone: list[Journey] = field(default_factory=list)


class _Flow:
    """One act under way. past: what it undoes, if anything. moved: what it moved so far."""

    def __init__(self, act: Act, past: _Moved | None) -> None:
        self.act = act
        self.past = past
        self.regrades = act.regrades or (past is not None and past.regrades)
        self.moved = _Moved(act.seq, self.regrades)
        self.leaving = [step for step in act.steps if step.quantity < 0]
        self.arriving = [step for step in act.steps if step.quantity > 0]
        self.runs: dict[Kind, deque[_Run]] = defaultdict(deque)
        self.told = 0

    def mix(self) -> None:
        """Where the act's lines do not say which shim went which way, each may be any of them."""
        if not self._is_mixed():
            return
        together: Origins = ()
        for run in self._all():
            together = unite(together, run.origins)
        if self.past is not None and not self.moved.left:
            together = unite(together, (UNKNOWN,))
        for kind, runs in self.runs.items():
            self.runs[kind] = deque(run._replace(origins=together) for run in runs)

    def of_kind(self, kind: Kind, count: int) -> Iterator[_Run]:
        """As many of what is on its way as there are."""
        yield from _cut(self.runs[kind], count)

    def of_any_kind(self, count: int) -> Iterator[_Run]:
        for runs in self.runs.values():
            for run in _cut(runs, count):
                count -= run.count
                yield run

    def _is_mixed(self) -> bool:
        if self.past is not None and self.regrades:
            return True
        if len(self.act.steps) == 2:
            return False
        sources, targets = defaultdict(set), defaultdict(set)
        for step, lots in [(s, sources) for s in self.leaving] + [(s, targets) for s in self.arriving]:
            if step.where is Where.KEPT:
                lots[step.lot[1:]].add(step.lot)
        return any(
            lots & targets[kind] or (len(lots) > 1 and len(targets[kind]) > 1)
            for kind, lots in sources.items()
        )

    def _all(self) -> list[_Run]:
        return [run for runs in self.runs.values() for run in runs]


class Tracer:
    """Where the shims of a site are by the last act that was followed, and the journeys told so far.

    It keeps the journeys, what lies in lots that are not empty, what the last `RECENT` acts moved, and what
    those moved of which it knows that they will be reversed.
    """

    def __init__(self) -> None:
        self._journeys: list[Journey] = []
        self._is_shared = False
        self._lots: dict[Lot, _Lot] = {}
        self._gone: dict[Kind, Origins] = {}
        self._as_new: Origins = (UNKNOWN,)
        self._recent: OrderedDict[int, _Moved] = OrderedDict()
        self._awaited: dict[int, _Moved] = {}

    def told(self) -> list[Journey]:
        """By movement and number. Not to be changed; it may grow at its end, and another takes its place
        where a journey is taken back."""
        self._is_shared = True
        return self._journeys

    def follow(self, act: Act) -> None:
        """Take in the next act. Raises UnforeseenError; then this tracer is of no more use."""
        past = None if act.reverses is None else self._past_of(act.reverses)
        flow = _Flow(act, past)
        self._take_out(flow)
        flow.mix()
        self._bring_in(flow)
        self._remember(flow)

    def _past_of(self, seq: int) -> _Moved:
        if (awaited := self._awaited.get(seq)) is not None:
            return awaited
        past = self._recent.get(seq)
        if past is None:
            raise UnforeseenError
        for lot in past.left:
            there = self._lots.get(lot)
            if (there is None or there.began > seq) and self._was_taken_from(lot, seq):
                # Others may have had these shims meanwhile, and were told without them.
                raise UnforeseenError
        return past

    def _was_taken_from(self, lot: Lot, since: int) -> bool:
        for seq in reversed(self._recent):
            if seq <= since:
                break
            if lot in self._recent[seq].left:
                return True
        return False

    def _take_out(self, flow: _Flow) -> None:
        for step in flow.leaving:
            flow.runs[step.lot[1:]].extend(self._taken(step, flow))
        if flow.past is not None and any(step.where is Where.ENGINE for step in flow.leaving):
            flow.moved.undone = self._withdraw(flow.past.stands_as)

    def _taken(self, step: Step, flow: _Flow) -> Iterable[_Run]:
        count, past = -step.quantity, flow.past
        if step.where is Where.KEPT:
            return self._taken_from_lot(step.lot, count, flow)
        if past is not None:
            runs = _cut(past.gone[step.lot], count)
            if step.where is Where.DIFFERENCE and not flow.regrades:
                return [run._replace(origins=unite((UNKNOWN,), run.origins)) for run in runs]
            return runs
        if step.where is Where.ENGINE:
            origin: Origin = (flow.act.seq, flow.act.job)
            return [_Run(_Shim(origin, step.lot[2]), (origin,), count)]
        if step.where is Where.DIFFERENCE and flow.regrades:
            return []
        return [_Run(_ANY_SHIM, self._from_elsewhere(step.lot[1:]), count)]

    def _from_elsewhere(self, kind: Kind) -> Origins:
        """What may be a shim that comes in from where these books do not reach."""
        return unite((UNKNOWN,), self._gone.get(kind, ()))

    def _leaves(self, kind: Kind, origins: Origins) -> None:
        self._gone[kind] = unite(self._gone.get(kind, ()), origins)

    def _taken_from_lot(self, key: Lot, count: int, flow: _Flow) -> Iterable[_Run]:
        lot = self._lots.get(key)
        if lot is None:
            return [_Run(_ANY_SHIM, (UNKNOWN,), count)]
        if key not in flow.moved.left:
            flow.moved.left[key] = lot.pool
            lot.awaits += flow.act.is_reversed
        return list(lot.take(count, last=flow.past is not None))

    def _bring_in(self, flow: _Flow) -> None:
        # A shim of another family than the books had it for goes over the difference, in the same act.
        over = [step for step in flow.arriving if step.where is Where.DIFFERENCE and flow.regrades]
        through: deque[_Run] = deque()
        for step in over:
            runs = list(flow.of_kind(step.lot[1:], step.quantity))
            flow.moved.gone[step.lot].extend(runs)
            through.extend(runs)
        if flow.past is None and flow.regrades:
            for step in flow.leaving:
                if step.where is Where.DIFFERENCE:
                    flow.runs[step.lot[1:]].extend(_cut(through, -step.quantity))
        for step in flow.arriving:
            if step not in over:
                self._arrive(step, self._arriving(step, flow), flow)
        for kind, runs in flow.runs.items():
            flow.moved.gone[None].extend(runs)
            for run in runs:
                if flow.regrades:
                    self._as_new = unite(self._as_new, run.origins)
                else:
                    self._leaves(kind, run.origins)
        for run in through:
            self._as_new = unite(self._as_new, run.origins)

    def _arriving(self, step: Step, flow: _Flow) -> list[_Run]:
        """What goes there: of what is on its way, else from where these books do not reach."""
        runs = list(flow.of_kind(step.lot[1:], step.quantity))
        missing = step.quantity - sum(run.count for run in runs)
        if not missing:
            return runs
        runs += flow.of_any_kind(missing)
        missing = step.quantity - sum(run.count for run in runs)
        from_there = self._as_new if flow.regrades else self._from_elsewhere(step.lot[1:])
        if flow.past is not None:
            for run in _cut(flow.past.gone[None], missing):
                runs.append(run._replace(origins=unite(run.origins, from_there)))
                missing -= run.count
        if missing:
            runs.append(_Run(_ANY_SHIM, from_there, missing))
        return runs

    def _arrive(self, step: Step, runs: Sequence[_Run], flow: _Flow) -> None:
        if step.where is Where.KEPT:
            self._put(step.lot, runs, flow)
            return
        flow.moved.gone[step.lot].extend(runs)
        if step.where is Where.ENGINE:
            self._tell(step, runs, flow)
        elif step.where is Where.DIFFERENCE:
            for run in runs:
                self._leaves(step.lot[1:], run.origins)

    def _put(self, key: Lot, runs: Sequence[_Run], flow: _Flow) -> None:
        lot = self._lots.get(key)
        if lot is None:
            lot = self._lots[key] = _Lot(flow.act.seq)
        if flow.past is None:
            for run in runs:
                lot.put(run, first=False)
            return
        for run in reversed(runs):
            lot.put(run, first=True)
        lot.pool = unite(lot.pool, flow.past.left.get(key, ()))

    def _tell(self, step: Step, runs: Iterable[_Run], flow: _Flow) -> None:
        act = flow.act
        for run in runs:
            for _ in range(run.count):
                if flow.past is None:
                    journey = Journey(
                        in_seq=act.seq,
                        nth=flow.told,
                        family=step.lot[1],
                        at=act.at,
                        to_job=act.job,
                        in_nm=step.lot[2],
                        origin=run.shim.origin,
                        out_nm=run.shim.nm,
                        origins=run.origins,
                    )
                    self._journeys.append(journey)
                elif flow.told < len(flow.past.undone):
                    before = flow.past.undone[flow.told]
                    flow.moved.stands_as = before.in_seq
                    self._tell_again(before._replace(origins=unite(before.origins, run.origins)))
                flow.told += 1

    def _withdraw(self, seq: int) -> list[Journey]:
        first, end = (bisect_left(self._journeys, number, key=_in_seq) for number in (seq, seq + 1))
        found = self._journeys[first:end]
        if found:
            del self._own()[first:end]
        return found

    def _tell_again(self, journey: Journey) -> None:
        self._own().insert(bisect_left(self._journeys, journey[:2], key=_place), journey)

    def _own(self) -> list[Journey]:
        """The journeys as a list that nobody else looks at."""
        if self._is_shared:
            self._journeys, self._is_shared = self._journeys.copy(), False
        return self._journeys

    def _remember(self, flow: _Flow) -> None:
        act = flow.act
        touched = set(flow.moved.left)
        if act.reverses is not None and (awaited := self._awaited.pop(act.reverses, None)) is not None:
            for key in awaited.left:
                self._lots[key].awaits -= 1
            touched |= awaited.left.keys()
        for key in touched:
            lot = self._lots[key]
            if not lot.waiting and not lot.awaits:
                del self._lots[key]
        if act.is_reversed:
            self._awaited[act.seq] = flow.moved
        self._recent[act.seq] = flow.moved
        while len(self._recent) > RECENT:
            self._recent.popitem(last=False)


def journeys(acts: Iterable[Act]) -> list[Journey]:
    """Every shim that is in an engine at the end, in the order in which they were put there."""
    tracer = Tracer()
    for act in acts:
        tracer.follow(act)
    return tracer.told()


def _cut(runs: deque[_Run], most: int) -> Iterator[_Run]:
    """Take so many shims off the front, as far as there are."""
    while most and runs:
        run = runs.popleft()
        if run.count > most:
            runs.appendleft(run._replace(count=run.count - most))
            run = run._replace(count=most)
        most -= run.count
        yield run


def _in_seq(journey: Journey) -> int:
    return journey.in_seq


def _place(journey: Journey) -> tuple[int, int]:
    return journey.in_seq, journey.nth
