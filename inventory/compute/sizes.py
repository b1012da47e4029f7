"""Sizes: the thicknesses in which a shim family is made, and where a measured shim belongs among them.

Promise
    A family is made from `min_nm` to `max_nm`, both included, every `step_nm`. A new shim is exactly one of
    these sizes; a used one may be worn or honed to anything up to `USED_BEYOND_NM` outside the range.
    Everything is whole nanometres, and a shim halfway between two sizes belongs to the thinner one: fitted
    by that name it can only leave a valve looser than meant, never tighter.
"""

from dataclasses import dataclass

from inventory.compute.lengths import Length, LengthError, from_nm, meant, plausible_shim

USED_BEYOND_NM = 100_000
"""How far outside its family's range a used shim may lie."""
MAX_SIZES = 1_000
"""More sizes than any family has; a slip in the step shows here instead of in a page of a million rows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FamilyRange:
    """The thicknesses a family is made in. Raises LengthError when they are not a range: a step of nothing,
    the thickest below the thinnest or not a whole number of steps above it, or too many sizes.
    """

    min_nm: int
    """The thinnest size made."""
    max_nm: int
    """The thickest size made."""
    step_nm: int
    """From one size to the next."""

    def __post_init__(self) -> None:
        if self.step_nm <= 0:
            raise LengthError(f"The step between sizes must be above 0 mm; it is {from_nm(self.step_nm)}.")
        if self.min_nm <= 0:
            raise LengthError(f"The thinnest size must be above 0 mm; it is {from_nm(self.min_nm)}.")
        if self.max_nm < self.min_nm:
            raise LengthError(
                f"The thickest size, {from_nm(self.max_nm)}, is below the thinnest, {from_nm(self.min_nm)}: "
                "give the thinner one first."
            )
        if (self.max_nm - self.min_nm) // self.step_nm >= MAX_SIZES:
            raise LengthError(
                f"From {from_nm(self.min_nm)} to {from_nm(self.max_nm)} in steps of {from_nm(self.step_nm)} is "
                f"more than {MAX_SIZES} sizes: check the step."
            )
        rest = (self.max_nm - self.min_nm) % self.step_nm
        if rest:
            raise LengthError(
                f"The thickest size, {from_nm(self.max_nm)}, is not a whole number of steps of "
                f"{from_nm(self.step_nm)} above the thinnest, {from_nm(self.min_nm)}: "
                f"{from_nm(self.max_nm - rest)} or {from_nm(self.max_nm - rest + self.step_nm)} would be."
            )

    def __str__(self) -> str:
        return f"{from_nm(self.min_nm)} to {from_nm(self.max_nm)} in steps of {from_nm(self.step_nm)}"


def sizes(family: FamilyRange) -> tuple[int, ...]:
    """Every made size in nanometres, thinnest first; never empty."""
    return tuple(range(family.min_nm, family.max_nm + 1, family.step_nm))


def on_grid(family: FamilyRange, nm: int) -> bool:
    """Whether this is exactly a made size."""
    return family.min_nm <= nm <= family.max_nm and (nm - family.min_nm) % family.step_nm == 0


def nearest_size(family: FamilyRange, nm: int) -> int:
    """The made size nearest to `nm`, the thinner one of two that are equally near; the thinnest or the
    thickest for anything outside the range.
    """
    inside = min(max(nm, family.min_nm), family.max_nm)
    steps, rest = divmod(inside - family.min_nm, family.step_nm)
    return family.min_nm + (steps + (2 * rest > family.step_nm)) * family.step_nm


def grade_of(family: FamilyRange, nm: int) -> int:
    """The made size whose drawer a used shim that measures `nm` goes to.

    Raises LengthError when it lies too far outside the range to be of this family.
    """
    check_used_shim(family, from_nm(nm))
    return nearest_size(family, nm)


def check_new_shim(family: FamilyRange, length: Length, what: str = "new shim") -> Length:
    """The length itself if it is a made size. Raises LengthError that names the range and the nearest size."""
    plausible_shim(length, what)
    if on_grid(family, length.nm):
        return length
    raise LengthError(
        f"{_named(what, length)} is not a size of its family, which is made from {family}. "
        + _what_would_do(family, length, family.min_nm, family.max_nm)
    )


def check_used_shim(family: FamilyRange, length: Length, what: str = "used shim") -> Length:
    """The length itself if a used shim of the family can measure so: up to 0.1 mm outside the range.

    Raises LengthError that names the range and the nearest size.
    """
    plausible_shim(length, what)
    lo, hi = family.min_nm - USED_BEYOND_NM, family.max_nm + USED_BEYOND_NM
    if lo <= length.nm <= hi:
        return length
    raise LengthError(
        f"{_named(what, length)} lies more than {from_nm(USED_BEYOND_NM)} outside its family, which is made from "
        f"{family}. " + _what_would_do(family, length, lo, hi)
    )


def _what_would_do(family: FamilyRange, length: Length, lo_nm: int, hi_nm: int) -> str:
    nearest = nearest_size(family, length.nm)
    if not lo_nm <= length.nm <= hi_nm:
        middle = (family.min_nm + family.max_nm) // 2
        probably = meant(length, lo_nm, hi_nm, middle, markings=True)
        if "probably" in probably:
            return probably
        return f"The nearest made size is {from_nm(nearest)}."
    above = nearest + family.step_nm
    if above - length.nm == length.nm - nearest:
        return f"The nearest made sizes are {from_nm(nearest)} and {from_nm(above)}."
    return f"The nearest made size is {from_nm(nearest)}."


def _named(what: str, length: Length) -> str:
    return f"{what[:1].upper()}{what[1:]} {length}"
