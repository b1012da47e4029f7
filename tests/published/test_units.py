"""Units of length against outside sources.

Sources: "Refinement of Values for the Yard and the Pound", US Federal Register, 1 July 1959 (1 yard =
0.9144 m exactly); NIST SP 811 (2008), Appendix B.8: inch 2.54 E-02 m and mil 2.54 E-05 m, both exact (from
memory); the library Pint 0.25; ISO 370:1975 method B, rounding inside the limits (from memory).
"""

import random
from decimal import Decimal
from fractions import Fraction

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.compute.lengths import NM_PER, LengthError, Unit, from_nm, inward_band, parse, show

# Pint's `mil` is the angular mil (a trap met by running it), so a thou is named `thou` here.
PINT_NAMES = {Unit.MM: "millimeter", Unit.UM: "micrometer", Unit.IN: "inch", Unit.THOU: "thou"}


def test_the_inch_of_1959_is_25_4_mm_exactly():
    inch_in_m = Fraction("0.9144") / 36  # three feet of twelve inches to the yard
    assert NM_PER[Unit.IN] == inch_in_m * 10**9 == 25_400_000
    assert from_nm(parse("1", "in").nm).value == "25.4"
    assert parse("36", "in").nm == parse("914.4", "mm").nm


def test_a_thou_is_a_thousandth_of_an_inch():
    # NIST SP 811, B.8: mil (0.001 in) = 2.54 E-05 m.
    assert NM_PER[Unit.THOU] * 1_000 == NM_PER[Unit.IN]
    assert parse("1", "thou").nm == parse("0.001", "in").nm == parse("0.0254", "mm").nm == 25_400


@pytest.mark.parametrize(
    ("figure", "unit", "mm"),
    [
        ("0.0001", "in", "0.00254"),
        ("0.0985", "in", "2.5019"),
        ("0.1004", "in", "2.55016"),
        ("0.1083", "in", "2.75082"),
        ("6", "thou", "0.1524"),
        ("8", "thou", "0.2032"),
    ],
)
def test_conversions_worked_with_decimal(figure, unit, mm):
    # Figures worked out with Python's decimal module, 3.11.
    assert from_nm(parse(figure, unit).nm).value == mm


@pytest.mark.parametrize(
    ("mm", "places", "inches"),
    [("2.725", 4, "0.1073"), ("2.725", 7, "0.1072835"), ("0.025", 9, "0.000984252")],
)
def test_inches_of_a_metric_size_for_the_eye(mm, places, inches):
    # 2.725 mm = 0.10728346456692913… in, 0.025 mm = 0.000984251968503937… in (Python's decimal module).
    assert show(parse(mm, "mm").nm, Unit.IN, places) == inches


def test_ten_thousand_conversions_against_pint():
    """Every pair of units, 10,000 values, against Pint with Decimal quantities.

    Pint multiplies by a rounded reciprocal (25.4 mm gives 0.9999999999999999999999999995 inch), so its figure
    may be off in the last of 28 digits; ours must lie within that, and be a whole number of nanometres.
    """
    registry = pint.UnitRegistry(non_int_type=Decimal)
    draw = random.Random(20260101)
    decimals = {Unit.MM: 6, Unit.UM: 3, Unit.IN: 5, Unit.THOU: 2}
    seen_pairs = set()
    for _ in range(10_000):
        source, target = draw.choice(list(Unit)), draw.choice(list(Unit))
        seen_pairs.add((source, target))
        places = draw.randint(0, decimals[source])
        figure = Decimal(draw.randint(0, 10 ** (places + 3))).scaleb(-places)
        length = parse(f"{figure:f}", source)
        theirs = registry.Quantity(figure, PINT_NAMES[source]).to(PINT_NAMES[target]).magnitude
        ours = Fraction(length.nm, NM_PER[target])
        assert abs(Fraction(theirs) - ours) <= max(ours, 1) * Fraction(1, 10**25), (figure, source, target)
    assert len(seen_pairs) == len(Unit) ** 2


def test_the_comparison_with_pint_would_show_another_inch():
    """The check above can fail: the US survey foot, which must not be used, is two parts in a million off."""
    registry = pint.UnitRegistry(non_int_type=Decimal)
    survey_inch_mm = registry.Quantity(Decimal(1), "survey_foot").to("millimeter").magnitude / 12
    assert abs(Fraction(survey_inch_mm) - Fraction(254, 10)) > Fraction(254, 10) * Fraction(1, 10**6)


def test_pints_mil_is_an_angle_so_the_word_is_refused_here():
    registry = pint.UnitRegistry()
    with pytest.raises(pint.DimensionalityError):
        registry.Quantity(1, "mil").to("millimeter")
    with pytest.raises(LengthError, match="write thou or mm"):
        parse("1", "mil")


@pytest.mark.parametrize(
    ("lo", "hi", "step", "inside"),
    [
        # 0.006–0.008 in is 0.1524–0.2032 mm; to the nearest hundredth it would be 0.15–0.20, which accepts
        # 0.15 mm although that is out of the printed range; inside the limits it is 0.16–0.20.
        (("0.006", "in"), ("0.008", "in"), ("0.01", "mm"), ("0.16", "0.20")),
        # 0.15–0.20 mm is 0.0059055…–0.0078740… in.
        (("0.15", "mm"), ("0.20", "mm"), ("0.0001", "in"), ("0.0060", "0.0078")),
        (("0.15", "mm"), ("0.20", "mm"), ("0.001", "in"), ("0.006", "0.007")),
    ],
)
def test_a_converted_band_is_rounded_inwards(lo, hi, step, inside):
    # ISO 370:1975 method B (from memory).
    low, high = inward_band(parse(*lo).nm, parse(*hi).nm, parse(*step).nm)
    assert (low, high) == tuple(parse(figure, step[1]).nm for figure in inside)


@given(st.integers(0, 2_000_000), st.integers(0, 500_000), st.sampled_from([10_000, 1_000, 25_400, 2_540]))
def test_nothing_is_accepted_in_the_coarser_figures_that_the_exact_band_refuses(lo, width, step):
    try:
        low, high = inward_band(lo, lo + width, step)
    except LengthError:
        assert not [nm for nm in range(lo // step * step, lo + width + step, step) if lo <= nm <= lo + width]
        return
    assert all(lo <= nm <= lo + width for nm in range(low, high + 1, step))


def test_one_metric_step_moves_the_called_clearance_by_one_thou_to_the_nearest_leaf():
    # Common practice, no source: 0.001 in is 0.0254 mm, so a 0.025 mm step of shim is one thou on the leaves.
    step = parse("0.025", "mm").nm
    assert show(step, Unit.THOU, places=0) == "1"
    assert parse("1", "thou").nm - step == 400


@pytest.mark.parametrize(
    ("mm", "nearest_even"), [("2.725", "2.72"), ("2.735", "2.74"), ("2.715", "2.72"), ("2.745", "2.74")]
)
def test_rounding_for_the_eye_is_half_to_even(mm, nearest_even):
    # ISO 80000-1 Annex B, rule A (from memory). Floats get two of these wrong: round(2.715, 2) is 2.71.
    assert show(parse(mm, "mm").nm, places=2) == nearest_even
