"""What every workshop does. Common practice, no source: nothing here is quoted from anywhere."""

import pytest

from inventory.compute.lengths import parse
from inventory.compute.markings import MarkingRule, thickness_of_marking
from inventory.compute.sizes import FamilyRange
from jobs.compute.planner import OwnShim, Problem, Valve, default_aim, plan_engine
from jobs.compute.readings import feeler_reading, verdict
from jobs.compute.windows import clearance_after

THOU = 25_400


FAMILY = FamilyRange(min_nm=2_300_000, max_nm=3_200_000, step_nm=25_000)


@pytest.mark.parametrize(
    ("rule", "marking"),
    [
        (MarkingRule.THOUSANDTHS, "2750"),
        (MarkingRule.HUNDREDTHS, "275"),  # where the last digit is dropped
        (MarkingRule.DECIMAL, "2.750"),
    ],
)
def test_a_marking_of_2750_or_275_is_2_750_mm(rule, marking):
    assert thickness_of_marking(rule, marking, FAMILY) == parse("2.750", "mm").nm


def leaves(passes, stops=None):
    reading = feeler_reading(parse(passes, "thou"), parse(stops, "thou") if stops else None)
    return reading.passes_nm, reading.stops_nm


def nearest_leaf(nm):
    """The leaf in whole thou that a clearance of so many nanometres is called by after a small change: the
    nearest, since light drag cannot tell a few ten-thousandths.
    """
    return round(nm / THOU)


@pytest.mark.parametrize(
    ("low", "high", "usual"),
    [("0.006", "0.010", {"0.008"}), ("0.010", "0.014", {"0.012", "0.013"})],
)
def test_intake_and_exhaust_are_set_towards_the_loose_end(low, high, usual):
    """Intake 0.006 to 0.010 in is set to about 0.008, exhaust 0.010 to 0.014 to 0.012 or 0.013."""
    low_nm, high_nm = parse(low, "in").nm, parse(high, "in").nm
    aim = default_aim(low_nm, high_nm)
    assert aim > (low_nm + high_nm) // 2  # the loose half: most valves tighten as seats wear
    assert nearest_leaf(aim) * THOU in {parse(leaf, "in").nm for leaf in usual}


def test_one_step_of_shim_is_one_thou_to_the_nearest_leaf():
    """0.001 in is 0.0254 mm; a step of shim is 0.025 mm."""
    assert parse("0.001", "in").nm == 25_400
    for called in range(4, 15):
        for steps in (-2, -1, 1, 2):
            after = clearance_after(
                2_600_000, called * THOU, (called + 1) * THOU, 2_600_000 - steps * 25_000, 0
            )
            assert nearest_leaf(after.called) == called + steps


def test_called_7_thou_and_one_step_thinner_is_called_8():
    """8 passes and 9 does not go or goes tight: the gap was from 7 up to 8 and is one step wider."""
    passes, stops = leaves("7")
    after = clearance_after(2_650_000, passes, stops, 2_625_000, 0)
    assert nearest_leaf(after.called) == 8
    assert after.high < 9 * THOU  # 9 does not go
    assert after.called > 7 * THOU + THOU // 2


def test_the_clearance_is_called_by_the_leaf_that_passes():
    """Spec 0.006 to 0.010 in: 6 passes and 7 does not is in spec; 5 passes and 6 does not is tight, though
    the gap may be 0.0059 in."""
    low, high = 6 * THOU, 10 * THOU
    assert verdict(*leaves("6"), low, high) == "in_spec"
    assert verdict(*leaves("5"), low, high) == "tight"
    assert verdict(*leaves("10"), low, high) == "at_limit"
    assert verdict(*leaves("11"), low, high) == "loose"


def valve(label, passes, shim, adjust="auto"):
    passes_nm, stops_nm = leaves(passes)
    return Valve(
        label=label,
        min_nm=6 * THOU,
        max_nm=10 * THOU,
        aim_nm=8 * THOU,
        passes_nm=passes_nm,
        stops_nm=stops_nm,
        shim=None if shim is None else OwnShim(thickness_nm=parse(shim, "mm").nm, known_by="measured"),
        adjust=adjust,
    )


def test_only_shims_of_valves_to_be_changed_are_pulled_and_measured():
    """Of eight valves two are out; the other six keep their shims though nobody knows how thick they are,
    and only the one of the two that was not measured yet is asked for."""
    in_spec = [valve(f"{number}", "8", None) for number in range(6)]
    plan = plan_engine(
        Problem(
            valves=(*in_spec, valve("tight", "4", "2.650"), valve("loose", "11", None)),
            lots=(),
            catalogue_nm=tuple(range(2_300_000, 3_000_001, 25_000)),
        )
    )
    assert [choice.action for choice in plan.choices] == ["keep"] * 6 + ["buy", "measure"]
    assert plan.to_measure == ("loose",)


@pytest.mark.parametrize(("called", "thickness"), [("4", "2.550"), ("5", "2.575"), ("12", "2.750")])
def test_the_shim_a_fitter_would_pick(called, thickness):
    """From 2.650 mm: 4 thou wants 4 more, four steps thinner; 5 thou three; 12 thou four steps thicker."""
    plan = plan_engine(
        Problem(
            valves=(valve("A", called, "2.650"),),
            lots=(),
            catalogue_nm=tuple(range(2_300_000, 3_000_001, 25_000)),
        )
    )
    assert plan.choices[0].thickness_nm == parse(thickness, "mm").nm
    assert nearest_leaf(plan.choices[0].called_nm) == 8
