"""Small drawn books, and every way that the shims may have gone: a plain model to hold the tracing against.

Each act moves one or two equal shims between places. What the books do not say is tried in every way: which
of equal shims was taken; of each act that was reversed, whether it happened and was undone, or never did; and
of whatever comes in, whether it never was here, or left before, at whatever thickness, or was taken out of a
place whose books have it still: a gap that only a count finds.
"""

from collections import Counter
from dataclasses import dataclass
from datetime import UTC, datetime

from hypothesis import strategies as st

from inventory.compute.journeys import Act, Step, Where

AT = datetime(2026, 3, 2, tzinfo=UTC)
KEPT = ("tray", "bin")
SIZES = (1_000_000, 2_000_000)
WHERE = {
    "engine": Where.ENGINE,
    "difference": Where.DIFFERENCE,
    "scrap": Where.OUTSIDE,
    "supplier": Where.OUTSIDE,
}
AWAY = "away"
"""Another site: what it takes in and sends is one line in these books, of the place here."""
GAP = "gap"
FROM = {"pull": "engine", "find": "difference", "arrive": AWAY, "receive": "supplier"}
Lot = tuple[str, int]


@dataclass(frozen=True)
class Done:
    """One act: so many shims from a lot to a lot. undoes: the number of the act that it reverses."""

    seq: int
    source: Lot
    target: Lot
    undoes: int | None = None
    count: int = 1

    @property
    def job(self):
        return f"job {self.seq}"

    @property
    def act(self):
        return Act(
            seq=self.seq,
            at=AT,
            job=self.job,
            reverses=self.undoes,
            steps=[
                _step(lot, quantity)
                for lot, quantity in ((self.source, -self.count), (self.target, self.count))
                if lot[0] != AWAY
            ],
        )


def _step(lot, quantity):
    place, nm = lot
    return Step((place, "disc29", nm, "used"), quantity, WHERE.get(place, Where.KEPT))


@st.composite
def books(draw, *, most=10, reversals=True):
    """Acts that the ledger would take: no place is ever below zero, nothing is reversed twice."""
    there: Counter[Lot] = Counter()
    acts: list[Done] = []
    for seq in range(1, draw(st.integers(2, most))):
        reversed_ones = {one.undoes for one in acts}
        undoable = [
            one
            for one in acts
            if one.seq not in reversed_ones and (one.target[0] not in KEPT or there[one.target] >= one.count)
        ]
        filled = sorted(lot for lot, count in there.items() if lot[0] in KEPT and count)
        goes = ["move", "fit", "fit", "lose", "scrap", "measure", "send", "give back"]
        kinds = ["pull", "pull", "pull", "pull", *FROM] + goes * bool(filled)
        kind = draw(st.sampled_from(kinds + ["undo"] * 4 * bool(undoable and reversals)))
        if kind == "undo":
            one = draw(st.sampled_from(undoable))
            done = Done(seq, one.target, one.source, one.seq, one.count)
        elif kind in FROM:
            nm = draw(st.sampled_from(SIZES))
            target = (draw(st.sampled_from(KEPT)), nm)
            done = Done(seq, (FROM[kind], nm), target, count=draw(st.integers(1, 2)))
        else:
            source = draw(st.sampled_from(filled))
            place, nm = source
            other = KEPT[place == KEPT[0]]
            targets = {"move": (other, nm), "measure": (place, SIZES[nm == SIZES[0]])}
            targets |= {"fit": ("engine", nm), "lose": ("difference", nm), "scrap": ("scrap", nm)}
            targets |= {"send": (AWAY, nm), "give back": ("supplier", nm)}
            most_there = min(there[source], 2)
            done = Done(seq, source, targets[kind], count=draw(st.integers(1, most_there)))
        there[done.source] -= done.count
        there[done.target] += done.count
        acts.append(done)
    return acts


def possible_origins(acts: list[Done]) -> dict[int, set[str | None]]:
    """By fit that stands at the end, the jobs out of whose engines a shim of it may have come; None for one
    that came in from elsewhere."""
    root, stands = _stories(acts)
    fits = [one.seq for one in acts if one.target[0] == "engine" and one.undoes is None and stands[one.seq]]
    found: dict[int, set[str | None]] = {seq: set() for seq in fits}
    for never in _never_happened(acts):
        for world in _worlds([one for one in acts if one.seq not in never], root):
            for where, shim in world:
                if where[0] == "engine" and where[2] in found:
                    found[where[2]].add(shim)
    return found


def _stories(acts):
    """By act, the first of those that undo one another, and whether that stands in the end."""
    root, stands = {}, {}
    for one in acts:
        root[one.seq] = one.seq if one.undoes is None else root[one.undoes]
        stands[one.seq] = True
        if one.undoes is not None:
            stands[root[one.seq]] = not stands[root[one.seq]]
    return root, stands


def _never_happened(acts):
    """Every choice of acts that were only keyed, each with the one that undoes it."""
    choices = [frozenset()]
    for one in acts:
        if one.undoes is not None:
            choices += [choice | {one.seq, one.undoes} for choice in choices if one.undoes not in choice]
    return choices


def _worlds(acts, root):
    """Every way to move the shims: sorted pairs of where one is and its name, which is its origin. Outside
    the shop a shim is where the first act of its story put it."""
    worlds = {()}
    for one in acts:
        target = one.target if one.target[0] in KEPT else (*one.target, root[one.seq])
        under_way = {(world, ()) for world in worlds}
        for _ in range(one.count):
            under_way = {
                (rest, _sorted([*taken, shim]))
                for world, taken in under_way
                for rest, shim in _ways_to_take(one, world, root)
            }
        worlds = {_sorted([*rest, *((target, shim) for shim in taken)]) for rest, taken in under_way}
    return worlds


def _sorted(things):
    return tuple(sorted(things, key=repr))


def _ways_to_take(one, world, root):
    """What is left, and the shim that is taken."""
    place, nm = one.source
    if place in KEPT:
        is_counted = one.target[0] == "difference" and one.undoes is None
        choices = {entry for entry in world if entry[0] == one.source and (is_counted or entry[1] != GAP)}
    elif place == "engine" and one.undoes is None:
        yield world, one.job
        return
    elif one.undoes is not None:
        choices = {entry for entry in world if entry[0] == (place, nm, root[one.seq])}
        if place in ("difference", AWAY):
            yield from _ways_to_come_in(world)  # an equal one came back
    else:
        yield from _ways_to_come_in(world)
        return
    for entry in choices:
        yield _without(entry, world), entry[1]


def _ways_to_come_in(world):
    """From where the books do not reach, after it left or while they still have it."""
    yield world, None
    for entry in set(world):
        where, shim = entry
        if shim == GAP or where[0] == "engine":
            continue
        rest = _without(entry, world)
        yield _sorted([*rest, (where, GAP)] if where[0] in KEPT else rest), shim


def _without(entry, world):
    rest = list(world)
    rest.remove(entry)
    return tuple(rest)
