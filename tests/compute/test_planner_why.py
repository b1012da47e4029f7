"""The sentence beside each valve. Spec 0.15 to 0.20 mm, aim 0.18 mm where nothing else is said."""

import pytest

from jobs.compute.planner import plan_engine
from tests.compute.planner_cases import THOU, problem, random_engine, valve


def sentences(*args, **given):
    return [choice.why for choice in plan_engine(problem(*args, **given)).choices]


def test_swap():
    assert sentences(valve("A", passes=120_000, shim=2_660_000), valve("3-EX-R", passes=230_000))[0] == (
        "Tight: 0.120 mm called, 0.150 mm is the least; "
        "the 2.600 mm shim out of 3-EX-R brings it to 0.180 mm."
    )


def test_figures_keyed_in_thou_are_shown_exactly():
    tight = valve(
        "A", passes=5 * THOU, stops=6 * THOU, spec=(6 * THOU, 10 * THOU), aim=8 * THOU, shim=2_650_000
    )
    assert sentences(tight, lots=[(2_575_000, "new", 1)]) == [
        "Tight: 5 thou (0.127 mm) called, 6 thou (0.1524 mm) is the least; "
        "a new 2.575 mm shim from stock brings it to 0.202 mm (8.0 thou)."
    ]


def test_thou_and_mm_side_by_side_each_as_it_was_keyed():
    mixed = valve("A", passes=8 * THOU, stops=9 * THOU, spec=(150_000, 250_000), aim=200_000)
    whole = valve("B", passes=8 * THOU, stops=9 * THOU, spec=(6 * THOU, 10 * THOU), aim=8 * THOU)
    assert sentences(mixed, whole) == [
        "In spec: 8 thou (0.2032 mm) called, 0.150 to 0.250 mm is allowed; its 2.600 mm shim stays.",
        "In spec: 8 thou (0.2032 mm) called, 6 to 10 thou (0.1524 to 0.254 mm) is allowed; "
        "its 2.600 mm shim stays.",
    ]


def test_used_from_stock_to_a_loose_valve():
    assert sentences(valve("A", passes=240_000), lots=[(2_655_000, "used", 1)]) == [
        "Loose: 0.240 mm called, 0.200 mm is the most; "
        "a used 2.655 mm shim from stock brings it to 0.185 mm, "
        "not certain to be inside, so measure again after fitting."
    ]


def test_buy():
    assert sentences(valve("A", passes=120_000), catalogue=[2_550_000]) == [
        "Tight: 0.120 mm called, 0.150 mm is the least; nothing to spare in engine or stock fits, "
        "so a new 2.550 mm shim, to be bought, brings it to 0.170 mm."
    ]


def test_opened_though_in_spec():
    said = sentences(
        valve("A", passes=120_000),
        valve("B", passes=195_000, shim=2_540_000),
        lots=[(2_572_000, "used", 1)],
    )
    assert said[1] == (
        "At the limit: 0.195 mm passes, 0.205 mm does not, 0.200 mm is the most, "
        "but A needs its 2.540 mm shim; a used 2.572 mm shim from stock brings it to 0.163 mm."
    )


def test_always():
    assert sentences(valve("A", passes=180_000, adjust="always"), lots=[(2_600_000, "new", 1)]) == [
        "In spec: 0.180 mm called, 0.150 to 0.200 mm is allowed, but marked to be changed; "
        "a new 2.600 mm shim from stock brings it to 0.180 mm."
    ]


def test_kept():
    assert sentences(
        valve("A", passes=180_000),
        valve("B", passes=180_000, shim=None),
        valve("C", passes=100_000, adjust="never"),
        valve("D", passes=200_000),
    ) == [
        "In spec: 0.180 mm called, 0.150 to 0.200 mm is allowed; its 2.600 mm shim stays.",
        "In spec: 0.180 mm called, 0.150 to 0.200 mm is allowed; its shim, not known, stays.",
        "Tight: 0.100 mm called, 0.150 mm is the least; "
        "marked never to be opened, so its 2.600 mm shim stays.",
        "At the limit: 0.200 mm passes, 0.210 mm does not, 0.200 mm is the most; its 2.600 mm shim stays.",
    ]


def test_measure():
    assert sentences(valve("A", passes=100_000, shim=None)) == [
        "Tight: 0.100 mm called, 0.150 mm is the least; "
        "measure its shim first, since none can be chosen without its thickness."
    ]


def test_unresolved_because_nothing_lies_in_the_window():
    assert sentences(valve("A", passes=120_000), catalogue=[2_500_000, 2_600_000]) == [
        "Tight: 0.120 mm called, 0.150 mm is the least; "
        "nothing that can be had from engine, stock or catalogue lies between 2.520 and 2.570 mm."
    ]


def test_unresolved_because_others_need_what_lies_there():
    assert sentences(valve("A", passes=120_000), valve("B", passes=120_000), lots=[(2_540_000, "used", 1)])[
        1
    ] == (
        "Tight: 0.120 mm called, 0.150 mm is the least; every shim between 2.520 and 2.570 mm is needed in "
        "another valve, and the catalogue has none there."
    )


def test_unresolved_though_its_own_shim_would_do_were_it_not_to_be_changed():
    assert sentences(valve("A", passes=180_000, adjust="always")) == [
        "In spec: 0.180 mm called, 0.150 to 0.200 mm is allowed, but marked to be changed; "
        "nothing that can be had from engine, stock or catalogue lies between 2.580 and 2.630 mm."
    ]


@pytest.mark.parametrize(
    ("shim", "passes", "limit"),
    [
        (2_100_000, 100_000, "it takes 2.050 mm or less and 2.100 mm is the thinnest"),
        (2_950_000, 300_000, "it takes 3.050 mm or more and 3.000 mm is the thickest"),
    ],
)
def test_unresolved_because_no_such_size_is_made(shim, passes, limit):
    said = sentences(valve("A", passes=passes, shim=shim), catalogue=range(2_100_000, 3_000_001, 25_000))[0]
    assert said.endswith(f"; no such size exists, {limit}, so the engine wants a qualified look.")


def test_a_shim_in_stock_beyond_the_catalogue_is_made():
    said = sentences(
        valve("A", passes=100_000, shim=2_100_000),
        lots=[(2_010_000, "used", 1)],
        catalogue=range(2_100_000, 3_000_001, 25_000),
    )[0]
    assert "a used 2.010 mm shim from stock" in said
    said = sentences(
        valve("A", passes=100_000, shim=2_100_000),
        lots=[(1_990_000, "used", 1)],
        catalogue=range(2_100_000, 3_000_001, 25_000),
    )[0]
    assert "nothing that can be had" in said


def test_without_a_catalogue_nothing_is_said_about_what_is_made():
    assert "exists" not in sentences(valve("A", passes=100_000), lots=[(2_900_000, "new", 1)])[0]


@pytest.mark.parametrize(
    ("given", "action"),
    [
        ({"catalogue": [2_420_000]}, "buy"),
        ({"lots": [(2_420_000, "used", 1)]}, "stock"),
        ({}, "unresolved"),
    ],
)
def test_no_clearance_is_measured_again_and_looked_at(given, action):
    plan = plan_engine(problem(valve("A", passes=0), **given))
    assert plan.choices[0].action == action
    assert plan.choices[0].why.startswith(
        "No clearance: the thinnest leaf does not pass, 0.150 mm is the least; "
    )
    assert plan.choices[0].why.endswith(
        "measure again after fitting and have it looked at by someone qualified."
    )


def test_no_clearance_where_nothing_is_fitted():
    kept, unknown = sentences(
        valve("A", passes=0, spec=(0, 50_000), aim=30_000), valve("B", passes=0, shim=None)
    )
    assert kept == (
        "No clearance: the thinnest leaf does not pass, 0.000 mm is the least; its 2.600 mm shim stays, "
        "but measure again and have it looked at by someone qualified."
    )
    assert "measure its shim first" in unknown
    assert unknown.endswith("measure again after fitting and have it looked at by someone qualified.")


def test_with_a_lash_ratio_windows_are_told_in_micrometres_that_lie_inside():
    # Exactly: 2.6 - 0.08 / 0.7 = 2.485714… and 2.6 - 0.03 / 0.7 = 2.557142… mm.
    assert "between 2.486 and 2.557 mm" in sentences(valve("A", passes=120_000), ratio="0.7")[0]


def test_with_a_lash_ratio_what_no_leaf_can_tell_is_rounded():
    said = sentences(valve("A", passes=120_000), lots=[(2_520_000, "used", 1)], ratio="0.777777")[0]
    assert "brings it to 0.182 mm" in said  # 0.18222216


def test_every_sentence_of_1000_engines_is_one_plain_sentence():
    for seed in range(1_000):
        for choice in plan_engine(random_engine(seed)).choices:
            assert choice.why.endswith("."), choice.why
            assert ". " not in choice.why
            assert "None" not in choice.why
            assert "  " not in choice.why
            assert choice.why.split(":")[0] in ("In spec", "At the limit", "Tight", "Loose", "No clearance")
