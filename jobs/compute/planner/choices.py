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
from jobs.compute.planner.kinds import Kinds, begins_of_runs
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
    bare: IntArray  # the clearance without any shim
    aim: IntArray
    least_sure: IntArray  # the least and the most clearance by which it is guaranteed, but for the
    most_sure: IntArray  # uncertainty of the new shim
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
                valve.min_nm * q,
                valve.max_nm * q,
                valve.aim_nm * q,
                valve.min_nm * q + play if valve.passes_nm > 0 else _NO_READING,
                (valve.max_nm - valve.stops_nm + valve.passes_nm) * q - play,
            )
        table = np.array(figures, dtype=np.int64).reshape(-1, 6).T.copy()
        bare, least, most, aim, least_sure, most_sure = table
        return cls(
            p=p,
            q=q,
            needing=np.array(needing, dtype=np.bool_),
            bare=bare,
            aim=aim,
            least_sure=least_sure,
            most_sure=most_sure,
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
        rows = len(readings.bare)
        first = kinds.thinnest_first.searchsorted(readings.thinnest_nm, "left")
        beyond = kinds.thinnest_first.searchsorted(readings.thickest_nm, "right")
        count = beyond - first + 1
        starts = count.cumsum() - count
        row = np.arange(rows).repeat(count)
        kind = kinds.by_thickness[np.arange(len(row)) - (starts - first + 1)[row]]
        own = kind == row
        stays = np.where(readings.needing, kinds.none, np.arange(rows))
        kind[starts] = stays

        after = readings.bare[row] - kinds.thickness_nm[kind] * readings.p
        play = kinds.uncertainty_nm[kind] * readings.p
        unsure = (after - play < readings.least_sure[row]) | (after + play > readings.most_sure[row])
        off = np.abs(after - readings.aim[row])
        if readings.q != 1:
            off, rest = np.divmod(off, readings.q)
            off += (2 * rest > readings.q) | ((2 * rest == readings.q) & (off % 2 == 1))
        unsure[starts] = False
        off[starts] = 0

        weights, never = _weights(order, int(kinds.cost.max()), int(off.max()), len(kinds.quantity))
        of_kind = weights[OPENED] + kinds.cost * weights[COST]
        of_kind[kinds.to_buy] += weights[BOUGHT]
        figures = of_kind[kind] + unsure * weights[NOT_GUARANTEED] + off * weights[DEVIATION]
        # Its own shim is how a valve in spec stays, and no choice of one that needs a change.
        figures[own] = never
        figures[starts] = never
        second = np.minimum.reduceat(figures, starts)
        figures[starts] = readings.needing * (weights[UNRESOLVED] + weights[OPENED])
        displaced = np.zeros_like(of_kind)
        displaced[:rows] = np.where(readings.needing, 0, second)
        besides = displaced[kind]
        besides[starts] = 0
        many = len(kinds.quantity)
        return cls(
            starts=starts,
            row=row,
            kind=np.where(own & (figures == never), kinds.none, kind),
            unsure=unsure,
            off_nm=off,
            place=figures * many + kind,
            in_effect=(figures + besides) * many + np.where(besides > 0, 0, kind),
            never=never * many,
        )

    def that_matter(self, quantity: IntArray) -> "Choices":
        """Those that the first best plan may make, `quantity` (kinds,) being how many there are of each."""
        left = self
        while True:
            asked_for = np.bincount(left.kind, minlength=len(quantity))
            free = (asked_for <= quantity)[left.kind]
            surely = np.minimum.reduceat(np.where(free, left.place, left.never - 1), left.starts)
            keep = left.in_effect <= surely[left.row]
            if keep.all():
                return left
            left = left.take(keep)

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


def _weights(order: Sequence[int], dearest: int, farthest: int, kinds: int) -> tuple[list[int], int]:
    """What one of each figure counts in a number that orders choices as the ranks do, and a number above that
    of any two choices together.
    """
    highest = {COST: dearest, DEVIATION: farthest}
    weights, weight = [0] * len(order), 1
    for rank in reversed(order):
        weights[rank] = weight
        weight *= 2 * highest.get(rank, 1) + 1
    if 2 * weight * kinds >= 2**63:
        raise OverflowError("so many choices with so large figures cannot be put in order exactly")
    return weights, weight
