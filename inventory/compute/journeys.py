"""Which engine a used shim came from, and which it went into: traced through the books.

The books count shims by lot (place, family, thickness, condition), not one by one. Where a lot holds a single
shim, or shims of one origin, its journey is known; where equal shims of several origins lay together, nobody
can tell them apart, in the drawer no more than in the books.

Promise
    A journey is `certain` only where the books leave no other origin, and otherwise names in `could_be` all
    that they leave: the twenty that came out last, and `or_others` where there are more. Shims that lay
    together may each be any of them until their lot is empty. Of those that could be meant, the one that came
    first is taken to have left. The same movements give the same journeys, and every shim that is in an
    engine now is named once.

What comes in
    Of a shim that came into the books otherwise than out of an engine (found or counted in, from another
    site or a supplier) nobody knows where it was before: it may have been here, and have left with a parcel
    or into the scrap, been missed, or not be missed yet. So it is never certain. Its origin is `UNKNOWN`,
    which is any engine, here or elsewhere, or none; those of equal shims that were missed or went to another
    site before are named besides, as the likely ones.

Reversals
    A fit that was reversed put nothing into an engine: it is not told, and told again when its reversal was
    reversed. Of a movement that was reversed the books do not say whether it was a slip of the keyboard or of
    the hand. Either the shims never moved, so that whoever took others from that lot meanwhile may have had
    these; or they moved, and equal ones came back. Both are reckoned with. Out of an engine, the scrap or a
    supplier's hands a reversal takes back the very shims that went there; of what was missed, or was with
    another site, another may have come back.

Counts are believed: a shim that is missed is gone from then on.
"""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import Enum
from typing import NamedTuple

Lot = tuple[Hashable, Hashable, int, str]
"""Place, family, thickness in nanometres, condition."""
Origin = tuple[int, Hashable]
"""The number of the movement that took it out of an engine, and that movement's job."""
Origins = tuple[Origin, ...]
"""Each once, in the ledger's order."""

MOST_NAMED = 20
UNKNOWN: Origin = (0, None)
"""Of a shim of which these books do not say where it was before: any engine, or none."""
OTHERS: Origin = (-1, None)
"""Stands first where there are more than `MOST_NAMED` besides `UNKNOWN`, which is always kept."""


class Where(Enum):
    """What sort of place a lot is in: kept in the shop, or one of the outside ones."""

    KEPT = "kept"
    ENGINE = "engine"
    DIFFERENCE = "difference"
    OUTSIDE = "outside"


class Step(NamedTuple):
    """One line of a movement: so many shims into a lot (above zero) or out of it (below)."""

    lot: Lot
    quantity: int
    where: Where


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """One movement, in the order of the ledger. Lines of places or conditions that are not traced are left
    out. reverses: the number of the movement that it undoes. is_reversed: known to be undone by a later one.
    regrades: its shims are others than the books had them for."""

    seq: int
    at: datetime
    job: Hashable
    steps: Sequence[Step]
    reverses: int | None = None
    is_reversed: bool = False
    regrades: bool = False


class Journey(NamedTuple):
    """A shim from the engine that it was taken out of to the one that it went into.

    nth: of the shims that its movement put into engines, from 0. out_nm: the thickness at which it was
    counted when it came out. origin: the likeliest of `origins`.
    """

    in_seq: int
    nth: int
    family: Hashable
    at: datetime
    to_job: Hashable
    in_nm: int
    origin: Origin
    out_nm: int | None
    origins: Origins

    @property
    def from_job(self) -> Hashable:
        """None where that is not known."""
        return self.origin[1]

    @property
    def out_seq(self) -> int | None:
        return self.origin[0] or None

    def may_be_of(self, job: Hashable) -> bool:
        """Whether `could_be` names the job."""
        if self.origin[1] == job or len(self.origins) == 1:
            return bool(self.origin[1] == job)
        return any(origin[1] == job for origin in self.origins)

    @property
    def or_others(self) -> bool:
        """Whether it may have come from more jobs than `could_be` names."""
        return self.origins[0] == OTHERS

    @property
    def could_be(self) -> tuple[Hashable, ...]:
        """The jobs whose engine it may have come out of, in the order in which they took theirs out; None
        first where it may be any."""
        named = sorted({*self.origins, self.origin} - {OTHERS}, key=seq_of)
        return tuple(dict.fromkeys(job for _, job in named))

    @property
    def certain(self) -> bool:
        if len(self.origins) == 1:
            return self.origins[0] != UNKNOWN
        return not self.or_others and self.from_job is not None and len(self.could_be) == 1


def unite(first: Origins, second: Origins) -> Origins:
    """Both, cut to the last ones where they are many; the same object where nothing is new."""
    if first is second or not second:
        return first
    if not first:
        return second
    both = {*first, *second}
    if len(both) == len(first):
        return first
    if len(both) == len(second):
        return second
    ordered = sorted(both, key=seq_of)
    if len(both - {OTHERS, UNKNOWN}) > MOST_NAMED:
        return (OTHERS, *both & {UNKNOWN}, *ordered[-MOST_NAMED:])
    return tuple(ordered)


def seq_of(origin: Origin) -> int:
    return origin[0]
