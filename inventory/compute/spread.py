"""Mean and spread of shims that lie together, in whole nanometres."""

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """What so many shims measure together."""

    count: int
    """How many shims, 1 or more."""
    mean_nm: int
    """Their mean, rounded half to even to a whole nanometre."""
    thinnest_nm: int
    thickest_nm: int

    @property
    def spread_nm(self) -> int:
        """The thickest less the thinnest; 0 for shims that are all alike."""
        return self.thickest_nm - self.thinnest_nm


def mean_and_spread(lots: Iterable[tuple[int, int]]) -> Spread | None:
    """Mean and spread over lots of (thickness in nanometres, how many); None where there is no shim.

    Raises ValueError for a count below zero.
    """
    count = total = 0
    present: list[int] = []
    for thickness_nm, quantity in lots:
        if quantity < 0:
            raise ValueError(f"a lot cannot have {quantity} shims")
        if quantity:
            count += quantity
            total += thickness_nm * quantity
            present.append(thickness_nm)
    if not count:
        return None
    return Spread(
        count=count,
        mean_nm=rounded_half_even(total, count),
        thinnest_nm=min(present),
        thickest_nm=max(present),
    )


def rounded_half_even(total: int, count: int) -> int:
    """total / count as a whole number, a half to the even one; exact, without a float."""
    quotient, rest = divmod(total, count)
    return quotient + (2 * rest > count or (2 * rest == count and quotient % 2 == 1))
