"""Whether a lot of new shims is taken in, from a sample under the micrometer.

Promise
    The sample of a lot of N shims is the whole part of the square root of N, and one more, and never more
    than N. The lot is accepted when every reading lies within the tolerance of its mark, both ends included;
    one that does not rejects the lot. Exact in nanometres.

Limits
    This is common practice at a counter (the rule of the square root), no source: it is no plan of
    ISO 2859-1 and states no quality level. Whoever needs one measures more.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isqrt


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """worst_nm: the reading that lies farthest from the mark."""

    accepted: bool
    worst_nm: int


def sample_size(lot: int) -> int:
    """How many of a lot are measured; 0 of an empty one."""
    return min(lot, isqrt(lot) + 1) if lot > 0 else 0


def judge(mark_nm: int, readings_nm: Sequence[int], tolerance_nm: int) -> Verdict:
    """What the sample says of its lot. Raises ValueError without a reading."""
    if not readings_nm:
        raise ValueError("a sample has at least one reading")
    worst = max(readings_nm, key=lambda reading: (abs(reading - mark_nm), reading))
    return Verdict(accepted=abs(worst - mark_nm) <= tolerance_nm, worst_nm=worst)
