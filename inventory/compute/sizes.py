"""Sizes: the thicknesses in which a shim family is made, and where a measured shim belongs among them.

Promise
    A family is made from `min_nm` to `max_nm`, both included, every `step_nm`. A new shim is exactly one of
    these sizes; a used one may be worn or honed to anything up to `USED_BEYOND_NM` outside the range.
    Everything is whole nanometres. A shim halfway between two sizes belongs to the thinner one, so that the
    same reading always names the same drawer.
"""

from dataclasses import dataclass

from inventory.compute.lengths import SHIM_NM, Length, LengthError, from_nm, meant, plausible_shim, show

USED_BEYOND_NM = 100_000
"""How far outside its family's range a used shim may lie."""
MAX_SIZES = 1_000
"""More sizes than any family has; a slip in the step shows here instead of in a page of a million rows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FamilyRange:
    """The thicknesses a family is made in. Raises LengthError when they are not a range: not plausible
    shims, the thickest below the thinnest or not a whole number of steps above it, no step, too many sizes.
    """

    min_nm: int
    """The thinnest size made."""
    max_nm: int
    """The thickest size made."""
    step_nm: int
    """From one size to the next."""

    def __post_init__(self) -> None:
        thinnest, thickest = SHIM_NM
        if not (thinnest <= self.min_nm <= thickest and thinnest <= self.max_nm <= thickest):
            raise LengthError(
                f"Shims from {show(self.min_nm)} to {show(self.max_nm)} mm are not plausible: "
                f"a shim is from 0.5 to 10 mm thick."
            )
        if self.max_nm < self.min_nm:
            raise LengthError(
                f"The thickest size, {show(self.max_nm)} mm, is below the thinnest, {show(self.min_nm)} mm: "
                "give the thinner one first."
            )
        if self.step_nm <= 0:
            raise LengthError(f"The step between sizes must be above 0 mm; it is {show(self.step_nm)} mm.")
        if (self.max_nm - self.min_nm) // self.step_nm >= MAX_SIZES:
            raise LengthError(f"{self} is more than {MAX_SIZES} sizes: check the step.")
        rest = (self.max_nm - self.min_nm) % self.step_nm
        if rest:
            below = self.max_nm - rest
            raise LengthError(
                f"The thickest size, {show(self.max_nm)} mm, is not a whole number of steps of "
                f"{show(self.step_nm)} mm above the thinnest, {show(self.min_nm)} mm: "
                f"{show(below)} mm or {show(below + self.step_nm)} mm would be."
            )

    def __str__(self) -> str:
        return f"{show(self.min_nm)} to {show(self.max_nm)} mm in steps of {show(self.step_nm)} mm"


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
    """The length itself if it is a made size.

    Raises LengthError that names the range and what would do: what was probably meant, or the nearest size.
    """
    plausible_shim(length, what)
    if on_grid(family, length.nm):
        return length
    raise LengthError(
        f"{_named(what, length)} is not a size of its family, which is made from {family}. "
        + _what_would_do(family, length, family.min_nm, family.max_nm)
    )


def no_such_size(family: FamilyRange, nm: int, name: str) -> str:
    """What to say of a thickness that is no made size of the family of this name, and what would do, to stand
    in a sentence; empty where it is one."""
    if on_grid(family, nm):
        return ""
    would_do = _what_would_do(family, from_nm(nm), family.min_nm, family.max_nm).rstrip(".")
    return f"{show(nm)} mm is no size that {name} is made in: {would_do[:1].lower()}{would_do[1:]}"


def check_used_shim(family: FamilyRange, length: Length, what: str = "used shim") -> Length:
    """The length itself if a used shim of the family can measure so: up to 0.1 mm outside the range.

    Raises LengthError that names the range and what would do: what was probably meant, or the nearest size.
    """
    plausible_shim(length, what)
    lo, hi = family.min_nm - USED_BEYOND_NM, family.max_nm + USED_BEYOND_NM
    if lo <= length.nm <= hi:
        return length
    raise LengthError(
        f"{_named(what, length)} lies more than {show(USED_BEYOND_NM, places=1)} mm outside its family, "
        f"which is made from {family}. " + _what_would_do(family, length, lo, hi)
    )


def _what_would_do(family: FamilyRange, length: Length, lo_nm: int, hi_nm: int) -> str:
    if not lo_nm <= length.nm <= hi_nm:
        middle_nm = (family.min_nm + family.max_nm) // 2
        probably = meant(length, lo_nm, hi_nm, middle_nm, markings=True)
        if probably:
            return probably
    nearest = nearest_size(family, length.nm)
    above = nearest + family.step_nm
    if above - length.nm == length.nm - nearest:
        return f"The nearest made sizes are {show(nearest)} mm and {show(above)} mm."
    return f"The nearest made size is {show(nearest)} mm."


def _named(what: str, length: Length) -> str:
    return f"{what[:1].upper()}{what[1:]} {length}"
