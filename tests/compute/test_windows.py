"""Readings, verdicts and windows. Where they touch outside rules: tests/published/test_acceptance.py."""

from fractions import Fraction
from math import ceil, floor

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.compute.lengths import LengthError, parse
from jobs.compute.readings import FeelerReading, feeler_reading, verdict
from jobs.compute.windows import (
    called_window,
    clearance_after,
    default_aim,
    guaranteed_window,
    is_guaranteed,
    needed_thickness,
)

LENGTHS = st.integers(0, 2_000_000)
SHIMS = st.integers(500_000, 10_000_000)
RATIOS = st.integers(100_000, 10_000_000).map(lambda millionths: Fraction(millionths, 10**6))


@st.composite
def valves(draw):
    """(shim, passes, stops, min, max, ratio) of any plausible valve, in nm."""
    low = draw(LENGTHS)
    passes = draw(LENGTHS)
    return (
        draw(SHIMS),
        passes,
        passes + draw(st.integers(1, 60_000)),
        low,
        low + draw(st.integers(1, 400_000)),
        draw(RATIOS | st.just(Fraction(1))),
    )


@pytest.mark.parametrize(
    ("passes", "stops", "expected"),
    [
        (140, 150, "tight"),
        (149, 160, "tight"),
        (150, 160, "in_spec"),
        (190, 200, "in_spec"),  # the truth is below the leaf that stops
        (190, 201, "at_limit"),
        (200, 210, "at_limit"),
        (201, 210, "loose"),
        (0, 40, "tight"),
    ],
)
def test_verdict_by_the_called_clearance_limits_included(passes, stops, expected):
    assert verdict(passes * 1_000, stops * 1_000, 150_000, 200_000) == expected


def test_a_reading_of_0_against_a_spec_from_0_is_in_spec():
    assert verdict(0, 10_000, 0, 50_000) == "in_spec"


def test_a_reading_keeps_its_leaves_and_means_the_next_leaf_without_stops():
    assert feeler_reading(parse("7", "thou"), parse("9", "thou")) == FeelerReading(
        passes_nm=177_800, stops_nm=228_600
    )
    assert feeler_reading(parse("7", "thou")).stops_nm == 8 * 25_400
    assert feeler_reading(parse("0.007", "in")).stops_nm == 8 * 25_400
    assert feeler_reading(parse("0.18", "mm")).stops_nm == 190_000
    assert feeler_reading(parse("0", "mm")).stops_nm == 10_000


@pytest.mark.parametrize(
    ("passes", "stops", "says"),
    [
        (("0.20", "mm"), ("0.20", "mm"), "0.20 mm, is not thicker than the one that passes, 0.20 mm"),
        (("8", "thou"), ("0.20", "mm"), "0.20 mm, is not thicker than the one that passes, 8 thou"),
        (("8", "mm"), ("9", "thou"), "The leaf that passes 8 mm is not plausible"),
        (("8", "thou"), ("9", "mm"), "The leaf that stops 9 mm is not plausible"),
        (("-1", "thou"), None, "The leaf that passes -1 thou is below 0"),
    ],
)
def test_leaves_that_make_no_reading_are_refused_by_name(passes, stops, says):
    with pytest.raises(LengthError) as refusal:
        feeler_reading(parse(*passes), parse(*stops) if stops else None)
    assert says in refusal.value.message


def test_a_reading_made_of_nonsense_cannot_exist():
    for passes, stops in ((5, 5), (6, 5), (-1, 5)):
        with pytest.raises(ValueError, match="passes < stops"):
            FeelerReading(passes_nm=passes, stops_nm=stops)


@pytest.mark.parametrize(
    ("low", "high", "aim"),
    [(150_000, 200_000, 180_000), (0, 1, 0), (0, 4, 2), (7, 9, 8), (152_400, 203_200, 182_880)],
)
def test_default_aim_lies_three_fifths_of_the_way_rounded_down(low, high, aim):
    assert default_aim(low, high) == aim


@given(low=LENGTHS, width=st.integers(1, 400_000))
def test_default_aim_lies_in_the_spec_and_not_a_nanometre_beyond(low, width):
    aim = default_aim(low, low + width)
    assert low <= aim <= low + width
    assert Fraction(3, 5) * width - 1 < aim - low <= Fraction(3, 5) * width


def test_windows_of_a_valve_in_figures():
    # 0.127 mm called with a 2.700 mm shim, spec 0.15 to 0.20 mm.
    assert called_window(2_700_000, 127_000, 150_000, 200_000) == (2_627_000, 2_677_000)
    assert guaranteed_window(2_700_000, 127_000, 137_000, 150_000, 200_000, 9_000) == (2_646_000, 2_668_000)
    assert needed_thickness(2_700_000, 127_000, 180_000) == 2_647_000


def test_a_lash_ratio_divides_the_window():
    half = Fraction(1, 2)  # half a nanometre of clearance per nanometre of shim
    assert called_window(2_700_000, 127_000, 150_000, 200_000, half) == (2_554_000, 2_654_000)
    assert needed_thickness(2_700_000, 127_000, 180_000, half) == 2_594_000
    third = called_window(2_700_000, 127_000, 150_000, 200_001, Fraction(3))
    assert third.low == 2_700_000 - Fraction(73_001, 3)


def test_windows_are_exact_fractions_whatever_whole_ratio_is_given():
    for window in (called_window(10, 5, 2, 9, 3), guaranteed_window(10, 5, 6, 2, 9, 0, 3)):
        assert all(isinstance(bound, Fraction) for bound in window)


def test_a_window_narrower_than_the_doubts_is_empty():
    window = guaranteed_window(2_700_000, 127_000, 180_000, 150_000, 200_000, 9_000)
    assert window.empty
    assert not any(window.holds(thickness) for thickness in range(2_600_000, 2_800_000, 1_000))


@given(valve=valves(), offset=st.integers(-500_000, 500_000))
def test_called_window_holds_a_shim_exactly_when_the_clearance_after_is_in_spec(valve, offset):
    shim, passes, stops, low, high, ratio = valve
    new = shim + offset
    after = clearance_after(shim, passes, stops, new, 9_000, ratio)
    assert after.called == passes + ratio * (shim - new)
    assert called_window(shim, passes, low, high, ratio).holds(new) == (low <= after.called <= high)


@given(valve=valves(), uncertainty=st.integers(0, 30_000), offset=st.integers(-500_000, 500_000))
def test_guaranteed_window_holds_a_shim_exactly_when_the_worst_case_is_in_spec(valve, uncertainty, offset):
    shim, passes, stops, low, high, ratio = valve
    new = shim + offset
    after = clearance_after(shim, passes, stops, new, uncertainty, ratio)
    inside = low <= after.low and after.high <= high
    assert is_guaranteed(after, passes, low, high) == (inside and passes > 0)
    assert guaranteed_window(shim, passes, stops, low, high, uncertainty, ratio).holds(new) == inside


@given(
    reading=st.tuples(SHIMS, st.integers(1, 2_000_000), st.integers(1, 60_000), LENGTHS, RATIOS),
    spare=st.integers(20, 200_000),
    place=st.fractions(0, 1),
    errors=st.tuples(st.fractions(-1, 1), st.fractions(-1, 1)),
    truth=st.fractions(0, 1).filter(lambda share: share < 1),
)
def test_a_guaranteed_shim_ends_in_spec_whatever_the_truth_was(reading, spare, place, errors, truth):
    """The promise itself: the gap anywhere in [passes, stops), either thickness off by all it may be."""
    shim, passes, leaf, low, ratio = reading
    own_unsure, new_unsure = 5_000, 4_000
    high = low + leaf + ceil(2 * ratio * (own_unsure + new_unsure)) + spare
    window = guaranteed_window(shim, passes, passes + leaf, low, high, own_unsure + new_unsure, ratio)
    first, last = ceil(window.low), floor(window.high)
    new = first + floor(place * (last - first))
    assert is_guaranteed(
        clearance_after(shim, passes, passes + leaf, new, own_unsure + new_unsure, ratio), passes, low, high
    )
    gap = passes + truth * leaf
    true_own, true_new = shim + errors[0] * own_unsure, new + errors[1] * new_unsure
    assert low <= gap + ratio * (true_own - true_new) <= high


@given(valve=valves(), uncertainty=st.integers(0, 30_000))
def test_the_guaranteed_window_lies_in_the_called_one(valve, uncertainty):
    shim, passes, stops, low, high, ratio = valve
    called = called_window(shim, passes, low, high, ratio)
    sure = guaranteed_window(shim, passes, stops, low, high, uncertainty, ratio)
    assert sure.empty or (called.low <= sure.low and sure.high <= called.high)


@given(valve=valves(), aim=st.integers(0, 2_400_000))
def test_the_needed_thickness_brings_the_called_clearance_to_the_aim(valve, aim):
    shim, passes, _, _, _, ratio = valve
    new = needed_thickness(shim, passes, aim, ratio)
    assert passes + ratio * (shim - new) == aim


@given(valve=valves(), offset=st.integers(-500_000, 500_000))
def test_nothing_is_guaranteed_on_a_reading_of_0(valve, offset):
    shim, _, stops, low, high, ratio = valve
    after = clearance_after(shim, 0, stops, shim + offset, 0, ratio)
    assert not is_guaranteed(after, 0, low, high)
