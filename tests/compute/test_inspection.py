"""Readings and their spread, and where an inspected shim goes."""

from itertools import pairwise
from statistics import fmean

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.compute.inspection import Face, Fate, ReadingsDisagree, judge, propose
from inventory.compute.lengths import from_nm, parse
from inventory.compute.sizes import USED_BEYOND_NM, FamilyRange

LIMIT_NM = 4_000
FAMILY = FamilyRange(min_nm=2_000_000, max_nm=3_200_000, step_nm=25_000)
thicknesses = st.integers(min_value=500_000, max_value=10_000_000)


def mm(*figures):
    return [parse(figure, "mm") for figure in figures]


@pytest.mark.parametrize(
    ("readings", "thickness_nm", "spread_nm"),
    [
        (["2.634"], 2_634_000, 0),
        (["2.634", "2.634"], 2_634_000, 0),
        (["2.634", "2.638"], 2_636_000, 4_000),
        (["2.6341", "2.634"], 2_634_050, 100),
        (["2.634000", "2.634001"], 2_634_000, 1),
        # The third shows which of the first two was wrong.
        (["2.634", "2.651", "2.635"], 2_634_500, 1_000),
        (["2.651", "2.634", "2.650"], 2_650_500, 1_000),
        # Evenly apart: the one in the middle.
        (["2.632", "2.634", "2.636"], 2_634_000, 2_000),
        (["2.640", "2.632", "2.636"], 2_636_000, 4_000),
    ],
)
def test_what_readings_come_to(readings, thickness_nm, spread_nm):
    judged = judge(mm(*readings), LIMIT_NM)
    assert (judged.thickness_nm, judged.spread_nm) == (thickness_nm, spread_nm)


def test_readings_in_either_unit_are_one_shim():
    judged = judge([parse("0.1037", "in"), parse("2.634", "mm")], LIMIT_NM)
    assert judged.thickness_nm == (2_633_980 + 2_634_000) // 2


def test_two_readings_too_far_apart_ask_for_a_third():
    with pytest.raises(
        ReadingsDisagree, match=r"2\.634 mm and 2\.639 mm differ by 0\.005 mm, more than 0\.004"
    ):
        judge(mm("2.639", "2.634"), LIMIT_NM)


def test_three_readings_of_which_no_two_agree_are_refused():
    with pytest.raises(ReadingsDisagree, match="no two agree"):
        judge(mm("2.634", "2.640", "2.650"), LIMIT_NM)


@pytest.mark.parametrize("count", [0, 4])
def test_one_to_three_readings(count):
    with pytest.raises(ValueError, match="one to 3"):
        judge(mm(*["2.634"] * count), LIMIT_NM)


@given(st.lists(thicknesses, min_size=1, max_size=3), st.integers(0, 100_000))
def test_a_thickness_lies_within_its_readings_whatever_their_order(values, limit_nm):
    readings = [from_nm(value) for value in values]
    ordered = sorted(values)
    if len(values) > 1 and min(high - low for low, high in pairwise(ordered)) > limit_nm:
        with pytest.raises(ReadingsDisagree):
            judge(readings, limit_nm)
        return
    judged = judge(readings, limit_nm)
    assert ordered[0] <= judged.thickness_nm <= ordered[-1]
    assert judged.spread_nm <= limit_nm
    assert judge(readings[::-1], limit_nm) == judged
    if len(values) == 2:
        assert abs(judged.thickness_nm - fmean(values)) <= 0.5


@given(thicknesses, st.sampled_from(Face), st.booleans())
def test_every_shim_has_a_fate(thickness_nm, face, legible):
    proposal = propose(FAMILY, thickness_nm, face, marking_legible=legible)
    outside = max(FAMILY.min_nm - thickness_nm, thickness_nm - FAMILY.max_nm)
    if face is Face.PITTED or outside > USED_BEYOND_NM:
        assert proposal.fate is Fate.SCRAP
        assert proposal.grade_nm is None
    else:
        assert proposal.fate is Fate.BIN
        nearest = min(abs(size - thickness_nm) for size in range(FAMILY.min_nm, FAMILY.max_nm + 1, 25_000))
        assert abs(proposal.grade_nm - thickness_nm) == nearest
        assert proposal.label_it == (not legible or nearest != 0)
    assert proposal.why.endswith(".")


@pytest.mark.parametrize(
    ("thickness_nm", "fate"),
    [
        (FAMILY.min_nm - USED_BEYOND_NM, Fate.BIN),
        (FAMILY.min_nm - USED_BEYOND_NM - 1, Fate.SCRAP),
        (FAMILY.max_nm + USED_BEYOND_NM, Fate.BIN),
        (FAMILY.max_nm + USED_BEYOND_NM + 1, Fate.SCRAP),
    ],
)
def test_the_edges_of_the_family(thickness_nm, fate):
    assert propose(FAMILY, thickness_nm, Face.GOOD, marking_legible=True).fate is fate


def test_why_says_how_far_outside_a_shim_is():
    why = propose(FAMILY, 1_850_000, Face.MARKED, marking_legible=True).why
    assert why == "1.850 mm is 0.150 mm below the thinnest size, 2.000 mm."
