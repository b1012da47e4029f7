"""Acceptance with guard bands: JCGM 106:2012 (ISO/IEC Guide 98-4), ISO 14253-1, ILAC-G8:09/2019.

ILAC-G8, section 4.1: the guard band w is the distance from the tolerance limit to the acceptance limit; the
project takes w = U at both ends, so what is accepted lies inside the spec for certain. The full texts of
JCGM 106 and ISO 14253-1 were not at hand; the risks below are quoted from ILAC-G8 and laboratories' notes.
"""

from fractions import Fraction

import pytest
from scipy.stats import norm

from jobs.compute.planner import OwnShim, Problem, Uncertainty, Valve, plan_engine
from jobs.compute.windows import clearance_after, guaranteed_window, is_guaranteed, needed_thickness

LOW, HIGH, U = 150_000, 200_000, 5_000  # 150 to 200 um, U = 5 um


def accepted(gap_nm, uncertainty_nm=U):
    """Whether a clearance known to this uncertainty is accepted: the leaf interval shrunk to a point."""
    after = clearance_after(2_600_000, gap_nm, gap_nm, 2_600_000, uncertainty_nm)
    return is_guaranteed(after, gap_nm, LOW, HIGH)


@pytest.mark.parametrize("micrometres", [155, 160, 175, 195])
def test_accepted_inside_the_guard_bands_limits_included(micrometres):
    assert accepted(micrometres * 1_000)


@pytest.mark.parametrize("tenths", [1_549, 1_951, 1_500, 2_000, 1_449, 2_051])
def test_not_accepted_within_u_of_a_limit_or_beyond(tenths):
    assert not accepted(tenths * 100)


def test_the_acceptance_limits_are_the_tolerance_limits_drawn_in_by_u():
    inside = [gap for gap in range(LOW - 10_000, HIGH + 10_001, 100) if accepted(gap)]
    assert (inside[0], inside[-1]) == (LOW + U, HIGH - U)
    assert len(inside) == (HIGH - LOW - 2 * U) // 100 + 1


def test_no_uncertainty_is_simple_acceptance():
    """w = 0 (ILAC-G8, simple acceptance): the limits themselves are accepted."""
    assert accepted(LOW, 0)
    assert accepted(HIGH, 0)
    assert not accepted(HIGH + 1, 0)


def test_where_2u_is_wider_than_the_spec_nothing_is_accepted_and_the_window_says_so():
    assert not any(accepted(gap, 26_000) for gap in range(LOW, HIGH + 1, 100))
    window = guaranteed_window(2_600_000, 175_000, 175_000, LOW, HIGH, 26_000)
    assert window.empty
    assert not guaranteed_window(2_600_000, 175_000, 175_000, LOW, HIGH, 25_000).empty


def test_the_reading_of_a_leaf_and_both_shims_are_guarded_together():
    """The window of DESIGN.md in figures: [t + stops - max + ut + us, t + passes - min - ut - us]."""
    t, passes, stops, ut, us = 2_700_000, 127_000, 137_000, 5_000, 4_000
    window = guaranteed_window(t, passes, stops, LOW, HIGH, ut + us)
    assert window == (t + stops - HIGH + ut + us, t + passes - LOW - ut - us) == (2_646_000, 2_668_000)


def test_the_plan_decides_by_the_same_rule():
    """U = 5 um as two shims of 2.5 um: called 155 to 195 um after is guaranteed, the next step is not."""
    for called, sure in ((154_999, False), (155_000, True), (194_999, True), (195_000, False)):
        valve = Valve(
            label="A",
            min_nm=LOW,
            max_nm=HIGH,
            aim_nm=175_000,
            passes_nm=100_000,
            stops_nm=100_001,
            shim=OwnShim(thickness_nm=2_600_000, known_by="marked"),
        )
        engine = Problem(
            valves=(valve,),
            lots=(),
            catalogue_nm=(2_600_000 + 100_000 - called,),
            uncertainty=Uncertainty(micrometer_nm=0, unworn_nm=2_500),
        )
        choice = plan_engine(engine).choices[0]
        assert (choice.called_nm, choice.guaranteed) == (called, sure)


@pytest.mark.parametrize(
    ("band", "risk"),
    [
        (Fraction(0), 0.5),
        (Fraction(83, 100), 0.05),
        (Fraction(1), 0.025),
        (Fraction(3, 2), 0.0016),
        (3, 1e-6),
    ],
)
def test_the_worst_risk_of_a_guard_band(band, risk):
    """ILAC-G8 and a laboratory's training note: with U = 2u and a normal error, a result at the acceptance
    limit is out of tolerance with less than this probability. w = U is the one in use here.
    """
    assert norm.cdf(-2 * float(band)) <= risk
    assert norm.cdf(-2 * float(band)) > risk / 1.5 or band == 3


def test_needed_thickness_is_own_shim_plus_clearance_minus_aim():
    """Algebra: the clearance falls by what the thickness rises. Common practice, no source."""
    assert needed_thickness(2_750_000, 120_000, 175_000) == 2_695_000
    assert needed_thickness(2_700_000, 260_000, 175_000) == 2_785_000
