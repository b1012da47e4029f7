"""How an engine truly is, which nobody in the shop can see: they have leaves and a micrometer.

Everything is whole nanometres; what chance adds is rounded to one at once. The figures are plausible, not
measured: an invented shop's engines wear as its inventor likes.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from random import Random

from inventory.compute.sizes import FamilyRange, nearest_size

THOU_NM = 25_400
HUNDREDTH_NM = 10_000
_MICRON_NM = 1_000

# A leaf drags a little before it stops, and no two hands are alike.
_DRAG_NM, _HAND_NM = 1_500, 2_500
_MICROMETER_NM = 1_200
# A new shim is close to its marking; a used one as close to what it measured.
_MAKER_NM, _MAKER_MOST_NM = 1_500, 4_500


@dataclass(slots=True, kw_only=True)
class Seat:
    """One valve: its true clearance, the true thickness of its shim, and by how much it tightens a year."""

    clearance_nm: int
    shim_nm: int
    tightens_nm: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Maker:
    """What the maker put in: the spec of one side."""

    min_nm: int
    max_nm: int


class TrueEngine:
    """The valves of one vehicle by label, from the day it first comes in."""

    def __init__(
        self,
        rng: Random,
        *,
        makers: Mapping[str, Maker],
        family: FamilyRange,
        lash_ratio: Fraction,
    ) -> None:
        self._rng = rng
        self._lash_ratio = lash_ratio
        middle = (family.min_nm + family.max_nm) // 2
        self.seats = {label: self._seat(maker, family, middle) for label, maker in makers.items()}
        # Some engines come in for the first time after one year, some after three.
        self.age(rng.randint(250, 900))

    def _seat(self, maker: Maker, family: FamilyRange, middle_nm: int) -> Seat:
        spread = (family.max_nm - family.min_nm) // 10
        size = nearest_size(family, middle_nm + round(self._rng.gauss(0, spread)))
        set_at = maker.min_nm + (maker.max_nm - maker.min_nm) * self._rng.randint(45, 75) // 100
        return Seat(
            clearance_nm=set_at,
            shim_nm=size + self._makers_error(),
            # Most valves tighten as their seats wear; one in eight loosens a little instead.
            tightens_nm=-self._rng.randint(0, 14_000)
            if self._rng.random() < 0.12
            else max(0, round(self._rng.gauss(22_000, 16_000))),
        )

    def age(self, days: int) -> None:
        """Let the engine run so long."""
        for seat in self.seats.values():
            wear = seat.tightens_nm * days // 365 + round(self._rng.gauss(0, 2_000))
            seat.clearance_nm = max(0, seat.clearance_nm - wear)

    def leaf_that_passes(self, label: str, leaf_nm: int) -> int:
        """The thickest leaf, of a set `leaf_nm` apart, that goes through with light drag; 0 if none does."""
        felt = self.seats[label].clearance_nm - _DRAG_NM + round(self._rng.gauss(0, _HAND_NM))
        return max(0, felt // leaf_nm * leaf_nm)

    def micrometer(self, label: str) -> int:
        """What a micrometer says of the shim in this valve, to the micrometre."""
        off = round(self._rng.gauss(0, _MICROMETER_NM))
        return (self.seats[label].shim_nm + off + _MICRON_NM // 2) // _MICRON_NM * _MICRON_NM

    def fit(self, swaps: Mapping[str, str], others: Mapping[str, int]) -> None:
        """Change shims all at once: label -> label of the valve whose shim it gets, or -> the thickness that
        the shim from a bin is known by."""
        new = {label: self.seats[giver].shim_nm for label, giver in swaps.items()}
        new |= {label: known_nm + self._makers_error() for label, known_nm in others.items()}
        for label, shim_nm in new.items():
            seat = self.seats[label]
            gained = self._lash_ratio * (seat.shim_nm - shim_nm)
            seat.clearance_nm = max(0, seat.clearance_nm + round(gained))
            seat.shim_nm = shim_nm
            # A seat that was just set beds in more slowly than it did before.
            seat.tightens_nm = seat.tightens_nm * self._rng.randint(60, 95) // 100

    def _makers_error(self) -> int:
        off = round(self._rng.gauss(0, _MAKER_NM))
        return max(-_MAKER_MOST_NM, min(_MAKER_MOST_NM, off))
