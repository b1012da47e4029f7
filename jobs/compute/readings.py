"""Feeler readings: what a pair of leaves says about a valve.

Promise
    A reading is a pair of leaves: the thickest that passes with light drag and the thinnest that does not.
    The clearance lies in [passes, stops) and is called by the leaf that passes (common practice, no
    source). Whole nanometres throughout, so a reading exactly on a limit is judged exactly.

Limits
    Nothing here knows shims; see windows.py for what a reading asks of one.
"""

from dataclasses import dataclass
from typing import Literal

from inventory.compute.lengths import (
    CLEARANCE_NM,
    USUAL_CLEARANCE_NM,
    Length,
    LengthError,
    meant,
    next_leaf,
    plausible_clearance,
)

# 0.01 mm; the thinnest in inches, 0.001 in, is thicker (common practice, no source).
THINNEST_LEAF_NM = 10_000

Verdict = Literal["in_spec", "at_limit", "tight", "loose"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FeelerReading:
    """One valve's reading. `feeler_reading` makes it from what was keyed in."""

    passes_nm: int
    """The thickest leaf that passes; 0 where not even the thinnest does."""
    stops_nm: int
    """The thinnest leaf that does not pass; above `passes_nm`."""

    def __post_init__(self) -> None:
        if not 0 <= self.passes_nm < self.stops_nm:
            raise ValueError(f"0 <= passes < stops does not hold for {self.passes_nm} and {self.stops_nm} nm")


def feeler_reading(passes: Length, stops: Length | None = None) -> FeelerReading:
    """The reading keyed in as these leaves. Without `stops` the next leaf is meant (lengths.next_leaf).

    Raises LengthError, naming the leaf, when one is not plausible or `stops` is not above `passes`.
    """
    plausible_clearance(passes, "the leaf that passes")
    if stops is None:
        stops = next_leaf(passes)
    else:
        plausible_clearance(stops, "the leaf that stops")
    if stops.nm <= passes.nm:
        raise LengthError(
            f"The leaf that stops, {stops}, is not thicker than the one that passes, {passes}: "
            "give the thinnest leaf that does not go through."
        )
    return FeelerReading(passes_nm=passes.nm, stops_nm=stops.nm)


def thinner_than_a_leaf(length: Length, keyed: str) -> str:
    """A sentence that asks for the unit of a clearance keyed as a bare figure ("0.20" on a sheet in thou),
    where that makes it thinner than any leaf. Empty when there is nothing to ask: the figure is 0, could be a
    leaf's, or was keyed with its unit.
    """
    if not 0 < length.nm < THINNEST_LEAF_NM or keyed.strip() != length.value:
        return ""
    other = meant(length, THINNEST_LEAF_NM, CLEARANCE_NM[1], USUAL_CLEARANCE_NM, markings=False)
    sentences = (f"{length} is thinner than any leaf.", other, "Key the figure with its unit.")
    return " ".join(sentence for sentence in sentences if sentence)


def verdict(passes_nm: int, stops_nm: int, min_nm: int, max_nm: int) -> Verdict:
    """What the reading [passes, stops) says against the spec [min, max], limits included.

    `tight` and `loose` go by the called clearance, `passes`. `at_limit` is a called clearance inside the
    spec whose interval reaches beyond the maximum: the valve may be loose already.
    """
    if passes_nm < min_nm:
        return "tight"
    if passes_nm > max_nm:
        return "loose"
    return "in_spec" if stops_nm <= max_nm else "at_limit"
