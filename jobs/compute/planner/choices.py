"""Every shim that a valve may get, as pairs of a valve and a kind of shim, and which of them can matter.

Promise
    `best_assignment` over what `Choices.that_matter` leaves gives the first best plan, as over all of them.
    Everything is exact: with lash ratio p / q every clearance is a whole number of q-ths of a nanometre, held
    in 64 bits (types.py bounds the figures so that they fit).

What is left out, and why the first best plan is not lost, whatever the order of the ranks
    A kind that no more valves still ask for than there are of it is free for each of them. If the first best
    plan gave a valve something that is worse for it than such a kind, or equal and further right, then taking
    the free one instead would make the plan better or put it earlier; so it does not.
    Who takes the own shim of a valve in spec makes that one take something else in turn. With what that costs
    at least, its second best, the same is true: it would have its own shim back. Equal plans are then told
    apart by more than one valve, so only what is worse is left out.
    What is left out is asked for no more, which makes more kinds free, until nothing changes.

Limits
    OverflowError where choices are so many that 64 bits do not hold their order.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from jobs.compute.planner.assignment import BoolArray, IntArray
from jobs.compute.planner.kinds import DEAREST, Kinds, begins_of_runs
from jobs.compute.planner.preference import RANKS
from jobs.compute.planner.types import OwnShim, Problem, Valve

UNRESOLVED, BOUGHT, NOT_GUARANTEED, OPENED, COST, DEVIATION = range(len(RANKS))
_NO_READING = 2**61  # above every clearance: nothing is guaranteed


@dataclass(frozen=True, slots=True)
class Readings:
    """The readings of the valves that may change, a row each, in q-ths of a nanometre for a lash ratio of
    p / q. Each array is (rows,).
    """

    p: int
    q: int
    needing: BoolArray
    figures: IntArray  # (4, rows): the clearance without any shim; the aim; and the least and the most
    # clearance by which it is guaranteed, but for the uncertainty of the new shim
    thinnest_nm: IntArray  # the called window
    thickest_nm: IntArray

    @classmethod
    def of(cls, problem: Problem, which: Sequence[int], needing: Sequence[bool]) -> "Readings":
        p, q = problem.lash_ratio.numerator, problem.lash_ratio.denominator
        figures: list[int] = []
        for valve in (problem.valves[index] for index in which):
            shim = _known(valve)
            play = problem.uncertainty.of_own(shim) * p
            figures += (
                valve.passes_nm * q + shim.thickness_nm * p,
                valve.aim_nm * q,
                valve.min_nm * q + play if valve.passes_nm > 0 else _NO_READING,
                (valve.max_nm - valve.stops_nm + valve.passes_nm) * q - play,
                valve.min_nm * q,
                valve.max_nm * q,
            )
        table = np.array(figures, dtype=np.int64).reshape(-1, 6).T.copy()
        bare, least, most = table[0], table[4], table[5]
        return cls(
            p=p,
            q=q,
            needing=np.array(needing, dtype=np.bool_),
            figures=table[:4],
            thinnest_nm=-((most - bare) // p),
            thickest_nm=(bare - least) // p,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Choices:
    """Pairs of a row and a kind, the rows in order. Each array is (pairs,) unless it says otherwise."""

    starts: IntArray
    """(rows,): where each row's pairs begin. The first is how it stays when it gets nothing: with its own
    shim where it is in spec, with none where it needs a change.
    """
    row: IntArray
    kind: IntArray
    unsure: BoolArray
    """Outside the guaranteed window."""
    off_nm: IntArray
    """|called clearance after - aim|, rounded once, half to even."""
    place: IntArray
    """Orders a row's choices: by their figures as the ranks do, then as the kinds stand."""
    in_effect: IntArray
    """The least `place` at which a plan with this choice may be reckoned."""
    never: int
    """Above every `place` that can be."""

    @classmethod
    def of(cls, readings: Readings, kinds: Kinds, order: Sequence[int]) -> "Choices":
        """All of them; `order` is that of the ranks."""
        rows = len(readings.needing)
        first = kinds.thinnest_first.searchsorted(readings.thinnest_nm, "left")
        beyond = kinds.thinnest_first.searchsorted(readings.thickest_nm, "right")
        count = beyond - first + 1
        starts = count.cumsum() - count
        each = np.arange(rows)
        row = each.repeat(count)
        kind = kinds.by_thickness[np.arange(len(row)) - (starts - first + 1)[row]]
        own = kind == row
        kind[starts] = np.where(readings.needing, kinds.none, each)

        bare, aim, least_sure, most_sure = readings.figures.take(row, axis=1)
        thickness, play = kinds.figures[:2].take(kind, axis=1) * readings.p
        after = bare - thickness
        unsure = (after - play < least_sure) | (after + play > most_sure)
        off = np.abs(after - aim)
        if readings.q != 1:
            off, rest = np.divmod(off, readings.q)
            off += (2 * rest > readings.q) | ((2 * rest == readings.q) & (off % 2 == 1))
        unsure[starts] = False
        off[starts] = 0

        many = len(kinds.quantity)
        weights, never = _weights(order, int(off.max()), many)
        of_kind = kinds.cost * weights[COST] + weights[OPENED]
        of_kind[kinds.to_buy] += weights[BOUGHT]
        figures = of_kind[kind] + unsure * weights[NOT_GUARANTEED] + off * weights[DEVIATION]
        # Its own shim is how a valve in spec stays, and no choice of one that needs a change.
        figures[own] = never
        figures[starts] = never
        second = np.minimum.reduceat(figures, starts)
        figures[starts] = readings.needing * (weights[UNRESOLVED] + weights[OPENED])
        place = figures * many + kind
        # Whoever takes the shim of a valve in spec makes that one take its second best.
        besides = np.zeros(many, dtype=np.int64)
        besides[:rows] = np.where(readings.needing, 0, second * many - each)
        in_effect = place + besides[kind]
        in_effect[starts] = place[starts]
        kind[own] = kinds.none
        kind[starts] = np.where(readings.needing, kinds.none, each)
        return cls(
            starts=starts,
            row=row,
            kind=kind,
            unsure=unsure,
            off_nm=off,
            place=place,
            in_effect=in_effect,
            never=never * many,
        )

    def that_matter(self, quantity: IntArray) -> "Choices":
        """Those that the first best plan may make, `quantity` (kinds,) being how many there are of each; the
        last kind, no shim, must be there for everybody.
        """
        many = len(quantity)
        kind, keep, left = self.kind, np.ones(len(self.kind), dtype=np.bool_), len(self.kind)
        while True:
            free = (np.bincount(kind, minlength=many) <= quantity)[kind] & keep
            surely = np.minimum.reduceat(np.where(free, self.place, self.never - 1), self.starts)
            keep &= self.in_effect <= surely[self.row]
            before, left = left, int(np.count_nonzero(keep))
            if left == before:
                return self.take(keep)
            # What is left out asks for no shim, so for nothing that others want.
            kind = np.where(keep, self.kind, many - 1)

    def take(self, which: BoolArray) -> "Choices":
        """These pairs alone. Every row must have one among them."""
        row = self.row[which]
        return Choices(
            starts=begins_of_runs(row),
            row=row,
            kind=self.kind[which],
            unsure=self.unsure[which],
            off_nm=self.off_nm[which],
            place=self.place[which],
            in_effect=self.in_effect[which],
            never=self.never,
        )


def _known(valve: Valve) -> OwnShim:
    if valve.shim is None:
        raise ValueError(f"the shim of {valve.label} is not known")
    return valve.shim


def _weights(order: Sequence[int], farthest: int, kinds: int) -> tuple[list[int], int]:
    """What one of each figure counts in a number that orders choices as the ranks do, and a number above that
    of any two choices together.
    """
    highest = {COST: DEAREST, DEVIATION: farthest}
    weights, weight = [0] * len(order), 1
    for rank in reversed(order):
        weights[rank] = weight
        weight *= 2 * highest.get(rank, 1) + 1
    if 2 * weight * kinds >= 2**63:
        raise OverflowError("so many choices with so large figures cannot be put in order exactly")
    return weights, weight
