"""What a recovered shim's inspection says: its thickness from one to three readings, and where it goes.

Promise
    One reading stands as it is. Two readings stand when they differ by no more than the limit; their mean
    is the thickness. Where they differ by more, a third is asked for, and of three the two that are nearest
    to each other decide, if they agree; where both neighbours are equally near, the one in the middle. A
    thickness lies never outside its readings. A mean between two nanometres is rounded down.
    A pitted shim is scrap whatever it measures, and so is one that is more than `USED_BEYOND_NM` outside its
    family's range; any other belongs to the bin of its grade.

Common practice, no source: wiping the faces and measuring again tells dirt from wear.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

from inventory.compute.lengths import Length, LengthError, show
from inventory.compute.sizes import USED_BEYOND_NM, FamilyRange, nearest_size

MOST_READINGS = 3


class Face(StrEnum):
    """What the face that the cam or bucket runs on looks like."""

    GOOD = "good"
    MARKED = "marked"
    PITTED = "pitted"


class Fate(StrEnum):
    """Where an inspected shim should go."""

    BIN = "bin"
    SCRAP = "scrap"


class ReadingsDisagree(LengthError):
    """The readings lie too far apart; the message asks for what would settle it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """The thickness that readings give."""

    thickness_nm: int
    spread_nm: int
    """Between the two readings that are nearest to each other; 0 for a single one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """Where an inspected shim should go, and why, in a sentence."""

    fate: Fate
    grade_nm: int | None
    """The made size whose bin it belongs to; None for scrap."""
    why: str
    label_it: bool
    """Whether its thickness must be written on it or its bag, since its marking cannot be read or says less
    than the micrometer."""


def judge(readings: Sequence[Length], limit_nm: int) -> Judged:
    """The thickness that one to three readings give.

    Raises ReadingsDisagree when they are further apart than `limit_nm`, and ValueError for no readings or
    more than three.
    """
    if not 1 <= len(readings) <= MOST_READINGS:
        raise ValueError(f"one to {MOST_READINGS} readings, not {len(readings)}")
    ordered = sorted(readings, key=lambda reading: reading.nm)
    values = [reading.nm for reading in ordered]
    if len(values) == 1:
        return Judged(thickness_nm=values[0], spread_nm=0)
    gaps = [above - below for below, above in pairwise(values)]
    least = min(gaps)
    if least > limit_nm:
        raise ReadingsDisagree(_disagreement(ordered, limit_nm))
    if len(values) == 3 and gaps[0] == gaps[1]:
        return Judged(thickness_nm=values[1], spread_nm=least)
    low = gaps.index(least)
    return Judged(thickness_nm=(values[low] + values[low + 1]) // 2, spread_nm=least)


def _disagreement(ordered: Sequence[Length], limit_nm: int) -> str:
    limit = f"{show(limit_nm)} mm"
    if len(ordered) == 2:
        apart = show(ordered[1].nm - ordered[0].nm)
        return (
            f"The readings {ordered[0]} and {ordered[1]} differ by {apart} mm, more than {limit}: "
            "wipe the shim and the anvils, and take a third."
        )
    return (
        f"Of the three readings {ordered[0]}, {ordered[1]} and {ordered[2]} no two agree within {limit}: "
        "wipe the shim and the anvils, check the micrometer's zero, and measure again from the first."
    )


def propose(family: FamilyRange, thickness_nm: int, face: Face, *, marking_legible: bool) -> Proposal:
    """Scrap, or the grade whose bin a used shim of this thickness belongs to."""
    thickness = f"{show(thickness_nm)} mm"
    if face is Face.PITTED:
        return _scrap("The face is pitted: it would wear the cam or the bucket.")
    for edge_nm, beyond_nm, side, end in (
        (family.min_nm, family.min_nm - thickness_nm, "below", "thinnest"),
        (family.max_nm, thickness_nm - family.max_nm, "above", "thickest"),
    ):
        if beyond_nm > USED_BEYOND_NM:
            return _scrap(f"{thickness} is {show(beyond_nm)} mm {side} the {end} size, {show(edge_nm)} mm.")
    grade_nm = nearest_size(family, thickness_nm)
    off_grade = "" if grade_nm == thickness_nm else ", the nearest made size"
    unread = "" if marking_legible else " Its marking cannot be read: write its thickness on the bag."
    return Proposal(
        fate=Fate.BIN,
        grade_nm=grade_nm,
        why=f"{thickness} belongs to the bin for {show(grade_nm)} mm{off_grade}.{unread}",
        label_it=not marking_legible or grade_nm != thickness_nm,
    )


def _scrap(why: str) -> Proposal:
    return Proposal(fate=Fate.SCRAP, grade_nm=None, why=why, label_it=False)
