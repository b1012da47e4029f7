"""Windows: from a valve's reading and own shim to the thicknesses that would set it right.

Promise
    With own shim t, reading [passes, stops), spec [min, max], aim a and lash ratio r (clearance gained per
    unit of shim taken away; 1 where the cam acts on the shim directly):

    - clearance called after with shim s:  passes + r (t - s)
    - needed thickness:                    t + (passes - a) / r
    - called window:      t + (passes - max) / r                <=  s  <=  t + (passes - min) / r
    - guaranteed window:  t + (stops - max) / r + (ut + us)     <=  s  <=  t + (passes - min) / r - (ut + us)

    In the guaranteed window the clearance is inside the spec wherever in the reading's interval the truth
    lies and whatever the error of the two thicknesses was: the limits are drawn in by the uncertainty at
    both ends, the guard-band acceptance rule of ISO 14253-1 and JCGM 106. Every bound is an exact Fraction
    of nanometres.

Limits
    A window may be empty (low above high): the leaves are then too far apart, or the thicknesses too
    uncertain, for any shim to be guaranteed. A reading of 0 is a lower bound of nothing, so callers must
    not promise anything for it, whatever its window says; `is_guaranteed` does not.
"""

from fractions import Fraction
from typing import NamedTuple

_DIRECT = Fraction(1)


class Window(NamedTuple):
    """Thicknesses from `low` to `high`, both included, in nm. Empty when `low` is above `high`."""

    low: Fraction
    high: Fraction

    def holds(self, thickness_nm: int) -> bool:
        """Whether the thickness lies inside, limits included."""
        return self.low <= thickness_nm <= self.high

    @property
    def empty(self) -> bool:
        return self.low > self.high


class ClearanceAfter(NamedTuple):
    """What a valve will have with another shim, in nm, exact: `called` by the leaf, surely from `low` to
    `high`. A whole number is an int: arithmetic on a Fraction takes twenty times as long, and with a lash
    ratio of 1, which most engines have, there is nothing else.
    """

    low: Fraction | int
    called: Fraction | int
    high: Fraction | int


def default_aim(min_nm: int, max_nm: int) -> int:
    """Where to set a clearance when no aim is given: 60 % of the way from tight to loose, rounded down to
    a whole nanometre, because most valves tighten as their seats wear.
    """
    return min_nm + (max_nm - min_nm) * 3 // 5


def needed_thickness(shim_nm: int, passes_nm: int, aim_nm: int, lash_ratio: Fraction = _DIRECT) -> Fraction:
    """The thickness that would set the called clearance on the aim, in nm."""
    return shim_nm + Fraction(passes_nm - aim_nm) / lash_ratio


def called_window(
    shim_nm: int, passes_nm: int, min_nm: int, max_nm: int, lash_ratio: Fraction = _DIRECT
) -> Window:
    """The thicknesses with which the called clearance is inside the spec."""
    return Window(
        shim_nm + Fraction(passes_nm - max_nm) / lash_ratio,
        shim_nm + Fraction(passes_nm - min_nm) / lash_ratio,
    )


def guaranteed_window(
    shim_nm: int,
    passes_nm: int,
    stops_nm: int,
    min_nm: int,
    max_nm: int,
    uncertainty_nm: int,
    lash_ratio: Fraction = _DIRECT,
) -> Window:
    """The thicknesses with which the true clearance is inside the spec, whatever the errors were.

    `uncertainty_nm` is ut + us: that of the own shim and that of the candidate.
    """
    return Window(
        shim_nm + Fraction(stops_nm - max_nm) / lash_ratio + uncertainty_nm,
        shim_nm + Fraction(passes_nm - min_nm) / lash_ratio - uncertainty_nm,
    )


def clearance_after(
    shim_nm: int,
    passes_nm: int,
    stops_nm: int,
    new_shim_nm: int,
    uncertainty_nm: int,
    lash_ratio: Fraction = _DIRECT,
) -> ClearanceAfter:
    """The clearance with another shim. `low` and `high` include `uncertainty_nm`, which is ut + us."""
    gained: Fraction | int = shim_nm - new_shim_nm
    unsure: Fraction | int = uncertainty_nm
    if lash_ratio != 1:
        gained, unsure = lash_ratio * gained, lash_ratio * unsure
    return ClearanceAfter(
        passes_nm + gained - unsure,
        passes_nm + gained,
        stops_nm + gained + unsure,
    )


def is_guaranteed(after: ClearanceAfter, passes_nm: int, min_nm: int, max_nm: int) -> bool:
    """Whether `after` lies wholly inside the spec and rests on a real reading (not on one of 0)."""
    return passes_nm > 0 and min_nm <= after.low and after.high <= max_nm
