"""Lengths: the one module that reads a length from text and writes it back.

Promise
    Every length is an integer number of nanometres, and every conversion here is exact: the four units
    are whole multiples of a nanometre (1 in = 25.4 mm exactly: international yard and pound agreement of
    1959). Nothing is rounded except in `show`, which is for the eye only, and `inward_band`, which says
    in its name which way it rounds. No float is taken, used or given anywhere.
    The figure a person keyed in is kept beside the nanometres and is the figure they see again.
    A length without a unit is refused; so is one that would only make sense in another unit, with a
    message that says what was probably meant.

Limits
    Nothing finer than a nanometre, nothing beyond `MAX_NM`, no figure longer than `MAX_FIGURE` characters.

Every refusal is a `LengthError` whose message is a whole sentence for the person at the tablet.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from operator import index


class Unit(StrEnum):
    """The four units a length may be keyed in. `THOU` is a thousandth of an inch."""

    MM = "mm"
    UM = "um"
    IN = "in"
    THOU = "thou"


NM_PER: dict[Unit, int] = {Unit.MM: 1_000_000, Unit.UM: 1_000, Unit.IN: 25_400_000, Unit.THOU: 25_400}

MAX_FIGURE = 24
"""Characters in a figure: more than any instrument shows, few enough for a database column."""
MAX_KEYED = MAX_FIGURE + 1 + max(len(unit) for unit in Unit)
"""Characters in `Length.keyed`: the width of the column beside the nanometres."""
MAX_NM = 10**12
"""A kilometre. Keeps every length, and sums of a million of them, inside a 64-bit column, and is still wide
enough that 2650 in, keyed for 2650 um, reaches the check that can say so."""

CLEARANCE_NM = (0, 2_000_000)
"""The clearances that are plausible, both ends included."""
SHIM_NM = (500_000, 10_000_000)
"""The shim thicknesses that are plausible, both ends included."""

# What a figure out of bounds is most likely to have been: the usual size of the thing decides which unit
# is named first. Common practice, no source.
USUAL_CLEARANCE_NM = 200_000
_USUAL_SHIM_NM = 2_500_000

_UNITS = "mm, um, in or thou"
_SPELLINGS: dict[str, Unit] = {
    "mm": Unit.MM,
    "millimetre": Unit.MM,
    "millimetres": Unit.MM,
    "millimeter": Unit.MM,
    "millimeters": Unit.MM,
    "um": Unit.UM,
    "\u00b5m": Unit.UM,  # micro sign
    "\u03bcm": Unit.UM,  # Greek letter mu, which looks the same and is what some keyboards send
    "micron": Unit.UM,
    "microns": Unit.UM,
    "in": Unit.IN,
    "in.": Unit.IN,
    "inch": Unit.IN,
    "inches": Unit.IN,
    '"': Unit.IN,
    "\u2033": Unit.IN,  # double prime
    "\u201d": Unit.IN,  # the quotation mark that a tablet's keyboard makes of a straight one
    "thou": Unit.THOU,
    "thous": Unit.THOU,
}
# Decimals that are always whole nanometres, for the message that refuses a finer figure.
_SAFE_DECIMALS: dict[Unit, int] = {Unit.MM: 6, Unit.UM: 3, Unit.IN: 5, Unit.THOU: 2}
# Decimals people are used to seeing: a shim as 2.650 mm, a leaf as 8 thou. And those left of a figure that
# never ends: 2.65 mm is 104.3 thou.
_USUAL_DECIMALS: dict[Unit, int] = {Unit.MM: 3, Unit.UM: 0, Unit.IN: 3, Unit.THOU: 0}
_ROUNDED_DECIMALS: dict[Unit, int] = {Unit.MM: 6, Unit.UM: 3, Unit.IN: 4, Unit.THOU: 1}

_INCH_LEAF_NM = NM_PER[Unit.THOU]
_METRIC_LEAF_NM = NM_PER[Unit.MM] // 100

_POWERS = tuple(10**exponent for exponent in range(MAX_FIGURE + 1))
_BY_NAME: dict[str, tuple[Unit, int]] = {unit.value: (unit, NM_PER[unit]) for unit in Unit}
# ".008" is how many a leaf is read out, so the nought before the point may be left out; the one after not.
_figure = re.compile(r"(?=-?\.?[0-9])(-?[0-9]*)(?:\.([0-9]+))?").fullmatch
_exponent = re.compile(r"-?[0-9]*\.?[0-9]*[eE][-+]?[0-9]+").fullmatch
_with_comma = re.compile(r"-?[0-9]*,[0-9]+").fullmatch


class LengthError(ValueError):
    """A length that cannot be taken. `message` says what was wrong and what would be right."""

    def __init__(self, message: str) -> None:
        super().__init__(message)
        self.message = message


@dataclass(frozen=True, slots=True, kw_only=True)
class Length:
    """A length as it was keyed. Made by `parse`, `parse_text`, `from_nm` and `from_keyed`, which see to it
    that the three fields agree. Two lengths are the same length when their `nm` are equal; `==` also asks
    that they were keyed alike (2.65 mm and 2.650 mm are not `==`).
    """

    nm: int
    """Whole nanometres; what is compared, added and stored."""
    unit: Unit
    """The unit it was keyed in."""
    value: str
    """The figure exactly as keyed, e.g. "2.650"."""

    @property
    def keyed(self) -> str:
        """Figure and unit, e.g. "2.650 mm": how a row keeps it beside the nanometres (see `from_keyed`)."""
        return f"{self.value} {self.unit}"

    def as_json(self) -> dict[str, str]:
        """The object the API speaks: `{"value": "2.650", "unit": "mm"}`."""
        return {"value": self.value, "unit": self.unit.value}

    def __str__(self) -> str:
        return self.keyed


def parse(value: str, unit: str) -> Length:
    """The length with this figure, a decimal string such as "2.650", in this unit: mm, um, in or thou.

    Raises LengthError for anything else: another type, no unit or an unknown one, an exponent, a plus sign,
    a decimal comma, spaces, digits of another script, a fraction of a nanometre, too long, too large.
    """
    try:
        member, nm_per = _BY_NAME[unit]
        matched = _figure(value)
    except (KeyError, TypeError):
        raise _refusal(value, unit) from None
    if matched is None or len(value) > MAX_FIGURE:
        raise _refusal(value, unit)
    whole, fraction = matched.groups()
    if fraction is None:
        nm = int(whole) * nm_per
    else:
        nm, rest = divmod(int(whole + fraction) * nm_per, _POWERS[len(fraction)])
        if rest:
            raise LengthError(
                f"{value} {unit} is finer than a nanometre, the finest length that is kept: "
                f"give at most {_SAFE_DECIMALS[member]} decimals."
            )
    if not -MAX_NM <= nm <= MAX_NM:
        raise LengthError(f"{value} {unit} is longer than a kilometre: check the figure and its unit.")
    return Length(nm=nm, unit=member, value=value)


def parse_text(text: str, default_unit: Unit | None = None) -> Length:
    """The length in a text such as "0.008 in", "8 thou", "2.65mm" or '0.1043"'.

    Spellings of the units (inch, µm, micron…) and capitals are taken. Without a unit in the text,
    `default_unit` is meant (the unit that stands beside the input field); without either it is refused.
    Raises LengthError.
    """
    if not isinstance(text, str):
        raise LengthError(f"A length is keyed as text, for example 2.65 mm, not as {_kind(text)}.")
    text = text.strip()
    rest = text.lstrip("+-.,0123456789")
    figure, spelling = text[: len(text) - len(rest)], rest.strip().casefold()
    if not figure or any(character.isdigit() for character in spelling):
        if _exponent(text.partition(" ")[0]):
            raise LengthError(f"{_quoted(text)} has an exponent: write the figure out, for example 0.008 in.")
        raise LengthError(
            f"{_quoted(text)} is not a length: write a figure and its unit, for example 2.65 mm."
        )
    if not spelling:
        if default_unit is None:
            raise LengthError(f"{_quoted(figure)} has no unit: a length needs one, {_UNITS}.")
        return parse(figure, default_unit)
    unit = _SPELLINGS.get(spelling)
    if unit is None:
        raise _unknown_unit(rest.strip())
    return parse(figure, unit)


def from_nm(nm: int, unit: Unit = Unit.MM) -> Length:
    """A computed length, exact, with as many decimals as it needs: six at most in mm.

    Raises LengthError when the unit cannot give it exactly (2.65 mm in inches never ends), TypeError when
    `nm` is not an integer.
    """
    nm = index(nm)
    nm_per = NM_PER[unit]
    if nm % 127 and nm_per % 127 == 0:
        # 25.4 = 127 / 5, so a figure in inches or thou ends only for multiples of 127 nm.
        raise LengthError(f'{show(nm)} mm has no exact figure in the unit "{unit}": give it in mm.')
    return Length(nm=nm, unit=unit, value=_exact_figure(nm, nm_per))


def from_keyed(nm: int, keyed: str) -> Length:
    """The length back from the two columns that keep it. Raises LengthError when they disagree."""
    value, _, unit = keyed.partition(" ")
    length = parse(value, unit)
    if length.nm != nm:
        raise LengthError(f"{_quoted(keyed)} is {length.nm} nm, but {nm} nm is stored beside it.")
    return length


def show(nm: int, unit: Unit = Unit.MM, places: int | None = None) -> str:
    """The figure for the eye, without its unit, e.g. "2.650". Never stored, compared or parsed again.

    With `places`, exactly so many decimals, rounded half to even. Without, the exact figure with at least
    the decimals that are usual for the unit (mm and in 3, um and thou 0); where it has more than 5 decimals
    in in or 2 in thou, rounded to 4 and 1. Raises TypeError when `nm` is not an integer.
    """
    nm = index(nm)
    nm_per = NM_PER[unit]
    if places is None:
        if nm * _POWERS[_SAFE_DECIMALS[unit]] % nm_per == 0:
            return _padded(_exact_figure(nm, nm_per), _USUAL_DECIMALS[unit])
        places = _ROUNDED_DECIMALS[unit]
    quotient, rest = divmod(abs(nm) * _POWERS[places], nm_per)
    quotient += 2 * rest > nm_per or (2 * rest == nm_per and quotient % 2 == 1)
    sign = "-" if nm < 0 and quotient else ""
    whole, fraction = divmod(quotient, _POWERS[places])
    return f"{sign}{whole}.{fraction:0{places}d}" if places else f"{sign}{whole}"


def next_leaf(passes: Length) -> Length:
    """The leaf meant by `stops` when only `passes` was given: 0.001 in above it when that was keyed in in
    or thou, 0.01 mm above when in mm or um. Keeps the unit and at least the decimals of `passes`.
    """
    above = _INCH_LEAF_NM if passes.unit in (Unit.IN, Unit.THOU) else _METRIC_LEAF_NM
    leaf = from_nm(passes.nm + above, passes.unit)
    decimals = len(passes.value.partition(".")[2])
    return Length(nm=leaf.nm, unit=leaf.unit, value=_padded(leaf.value, decimals))


def inward_band(lo_nm: int, hi_nm: int, step_nm: int) -> tuple[int, int]:
    """The band [lo_nm, hi_nm] in whole steps, rounded inwards, so that nothing is accepted in the coarser
    figures that the exact band refuses (ISO 370 method B). Nearest rounding would make 0.006 in, which is
    0.1524 mm, into 0.15 mm.

    Raises LengthError when no whole step lies inside, ValueError when the step is not above zero.
    """
    if step_nm <= 0:
        raise ValueError(f"step_nm must be above zero, not {step_nm}")
    lo, hi = -(-lo_nm // step_nm) * step_nm, hi_nm // step_nm * step_nm
    if lo > hi:
        raise LengthError(
            f"No whole step of {show(step_nm)} mm lies from {show(lo_nm)} to {show(hi_nm)} mm: "
            "use a finer step."
        )
    return lo, hi


def plausible_clearance(length: Length, what: str = "clearance") -> Length:
    """The length itself if it can be a valve clearance: from 0 to 2 mm, both included.

    Raises LengthError, naming `what` and the units in which the figure would be plausible, likeliest first.
    """
    lo, hi = CLEARANCE_NM
    if lo <= length.nm <= hi:
        return length
    if length.nm < 0:
        raise LengthError(
            f"{_sentence(what)} {length} is below 0: where not even the thinnest leaf passes, key in 0."
        )
    raise LengthError(
        f"{_sentence(what)} {length} is not plausible: a clearance is from 0 to 2 mm. "
        + (meant(length, lo, hi, USUAL_CLEARANCE_NM, markings=False) or _check_figure(length))
    )


def plausible_shim(length: Length, what: str = "shim") -> Length:
    """The length itself if it can be a shim's thickness: from 0.5 to 10 mm, both included.

    Raises LengthError, naming `what` and what the figure would be as a marking or in another unit,
    likeliest first.
    """
    lo, hi = SHIM_NM
    if lo <= length.nm <= hi:
        return length
    raise LengthError(
        f"{_sentence(what)} {length} is not plausible: a shim is from 0.5 to 10 mm thick. "
        + (meant(length, lo, hi, _USUAL_SHIM_NM, markings=True) or _check_figure(length))
    )


def meant(length: Length, lo_nm: int, hi_nm: int, usual_nm: int, *, markings: bool) -> str:
    """A sentence that says what the figure of `length` was probably meant to be: every reading of it, in
    another unit or (with `markings`) as the three digits on a shim's face, that lies from `lo_nm` to
    `hi_nm`, the one nearest in proportion to `usual_nm` first. Empty when there is none.
    """
    readings = [
        (nm, text) for nm, text in _other_readings(length, markings=markings) if max(lo_nm, 1) <= nm <= hi_nm
    ]
    if not readings:
        return ""
    readings.sort(key=lambda reading: Fraction(max(reading[0], usual_nm), min(reading[0], usual_nm)))
    first, *others = (text for _, text in readings)
    return f"{_sentence(first)} was probably meant" + "".join(f", or {other}" for other in others) + "."


def _check_figure(length: Length) -> str:
    return f"No unit makes {length.value} plausible: check the figure."


def _other_readings(length: Length, *, markings: bool) -> Iterator[tuple[int, str]]:
    if markings and len(length.value) == 3 and length.value.isdigit():
        nm = int(length.value) * _METRIC_LEAF_NM
        yield nm, f"the marking {length.value} ({show(nm)} mm)"
    for unit in Unit:
        if unit is length.unit:
            continue
        try:
            other = parse(length.value, unit)
        except LengthError:  # too fine or too long in that unit, so not what was meant
            continue
        in_mm = "" if unit is Unit.MM else f" ({show(other.nm)} mm)"
        yield other.nm, f"{other}{in_mm}"


def _exact_figure(nm: int, nm_per: int) -> str:
    # Six decimals hold every whole nanometre in mm and um, and every one that ends at all in in and thou.
    sign = "-" if nm < 0 else ""
    whole, fraction = divmod(abs(nm) * 1_000_000 // nm_per, 1_000_000)
    return f"{sign}{whole}.{fraction:06d}".rstrip("0") if fraction else f"{sign}{whole}"


def _padded(figure: str, decimals: int) -> str:
    whole, _, fraction = figure.partition(".")
    return f"{whole}.{fraction.ljust(decimals, '0')}" if fraction or decimals else whole


def _refusal(value: object, unit: object) -> LengthError:
    """Why this pair is not a length. Only reached when it is not, so it may take its time."""
    if unit is None or unit == "":
        return LengthError(f"A length needs a unit: {_UNITS}.")
    if not isinstance(unit, str) or unit not in _BY_NAME:
        return _unknown_unit(unit)
    if not isinstance(value, str):
        return LengthError(
            f'The figure of a length is a decimal string, for example "2.65", so that no digit is lost; '
            f"it was {_kind(value)}."
        )
    if not value:
        return LengthError("The figure of a length is missing: write one such as 2.65.")
    if len(value) > MAX_FIGURE:
        return LengthError(f"The figure {_quoted(value)} is too long: at most {MAX_FIGURE} characters.")
    if _with_comma(value):
        return LengthError(f"{_quoted(value)} has a comma: write {value.replace(',', '.')} with a point.")
    if _exponent(value):
        return LengthError(f"{_quoted(value)} has an exponent: write the figure out, for example 0.008.")
    return LengthError(
        f"{_quoted(value)} is not a figure: write the digits 0 to 9 with at most one point, for example 2.65."
    )


def _unknown_unit(unit: object) -> LengthError:
    if not isinstance(unit, str):
        return LengthError(f"The unit of a length is {_UNITS}, not {_kind(unit)}.")
    spelling = unit.strip().casefold()
    if spelling in ("mil", "mils"):
        # Said for a thousandth of an inch by some and for a millimetre by others.
        return LengthError(f"The unit {_quoted(unit)} can be read in two ways: write thou or mm.")
    if spelling in _SPELLINGS:
        return LengthError(f"The unit {_quoted(unit)} is written {_SPELLINGS[spelling]}.")
    return LengthError(f"The unit {_quoted(unit)} is not known: use {_UNITS}.")


def _quoted(text: str) -> str:
    """What was sent, short and safe to send back: no control characters, no lone surrogates."""
    shown = "".join(character if character.isprintable() else "?" for character in text[:MAX_FIGURE])
    return f'"{shown}…"' if len(text) > MAX_FIGURE else f'"{shown}"'


def _kind(value: object) -> str:
    """The type in the words of somebody who writes JSON."""
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true or false"
    if isinstance(value, int | float):
        return "a number"
    return "a list" if isinstance(value, list) else "an object"


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]
