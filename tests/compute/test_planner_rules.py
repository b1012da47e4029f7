"""Each rule of a plan on an engine small enough to follow by hand. Spec 0.15 to 0.20 mm, aim 0.18 mm."""

from dataclasses import replace
from fractions import Fraction

import pytest

from jobs.compute.planner import Lot, OwnShim, Problem, Score, Uncertainty, Valve, plan_engine, verify
from tests.compute.planner_cases import problem, valve


def planned(engine):
    """The plan, once `verify` finds nothing wrong with it."""
    plan = plan_engine(engine)
    assert verify(engine, plan) == []
    return plan


def actions(plan):
    return {choice.label: choice.action for choice in plan.choices}


def test_an_engine_in_spec_is_left_alone():
    plan = planned(
        problem(valve("A", passes=150_000), valve("B", passes=200_000), lots=[(2_600_000, "new", 9)])
    )
    assert plan.score == Score(0, 0, 0, 0, 0, 0)
    assert actions(plan) == {"A": "keep", "B": "keep"}
    assert plan.left_over == plan.to_buy == plan.to_measure == ()


def test_an_engine_without_valves_has_an_empty_plan():
    assert planned(problem()).choices == ()


def test_a_kept_valve_states_todays_interval():
    kept, at_limit = planned(
        problem(valve("A", passes=180_000), valve("B", passes=195_000, shim=2_500_000))
    ).choices
    assert (kept.low_nm, kept.called_nm, kept.high_nm) == (180_000, 180_000, 190_000)
    assert (kept.verdict, kept.guaranteed, kept.thickness_nm) == ("in_spec", True, 2_600_000)
    assert (at_limit.verdict, at_limit.guaranteed, at_limit.thickness_nm) == ("at_limit", False, 2_500_000)


def test_a_tight_and_a_loose_valve_change_shims():
    plan = planned(problem(valve("A", passes=120_000, shim=2_660_000), valve("B", passes=230_000)))
    assert [(choice.action, choice.from_valve) for choice in plan.choices] == [("swap", "B"), ("swap", "A")]
    assert plan.score == Score(0, 0, 0, 2, 0, 10_000)
    first = plan.choices[0]
    # Both thicknesses were read with a micrometer: 0.004 mm each.
    assert (first.low_nm, first.called_nm, first.high_nm) == (172_000, 180_000, 198_000)
    assert (first.condition, first.from_lot, first.guaranteed) == (None, None, True)
    assert plan.left_over == ()


@pytest.mark.parametrize(
    ("known_by", "source", "low", "high"),
    [
        ("measured", [(2_550_000, "used", 1)], 162_000, 188_000),
        ("measured", [(2_550_000, "new", 1)], 161_000, 189_000),
        ("marked", [(2_550_000, "used", 1)], 161_000, 189_000),
        ("marked", [(2_550_000, "new", 1)], 160_000, 190_000),
    ],
)
def test_the_uncertainties_of_both_shims_widen_the_interval(known_by, source, low, high):
    plan = planned(problem(valve("A", passes=120_000, known_by=known_by), lots=source))
    assert (plan.choices[0].low_nm, plan.choices[0].high_nm) == (low, high)


def test_a_bought_shim_counts_as_unworn():
    choice = planned(problem(valve("A", passes=120_000), catalogue=[2_550_000])).choices[0]
    assert (choice.action, choice.condition, choice.low_nm) == ("buy", "new", 161_000)
    assert choice.from_valve is choice.from_lot is None


def test_a_swap_comes_before_a_used_shim_and_that_before_a_new_one_and_that_before_buying():
    tight, loose = valve("A", passes=120_000), valve("B", passes=260_000, shim=2_540_000)
    everything = {"lots": [(2_540_000, "new", 1), (2_540_000, "used", 1)], "catalogue": [2_540_000]}
    with_swap = planned(problem(tight, loose, **everything))
    assert actions(with_swap)["A"] == "swap"
    plan = planned(problem(tight, **everything))
    assert (plan.choices[0].condition, plan.choices[0].from_lot) == ("used", 1)
    plan = planned(problem(tight, lots=[(2_540_000, "new", 1)], catalogue=[2_540_000]))
    assert (plan.choices[0].condition, plan.choices[0].from_lot) == ("new", 0)
    plan = planned(problem(tight, catalogue=[2_540_000]))
    assert plan.choices[0].action == "buy"
    assert plan.to_buy == ((2_540_000, 1),)


def test_the_guarantee_comes_before_the_cheaper_shim_and_before_the_aim():
    # 2.520 mm is called 0.200 after, 2.545 mm 0.175 and sure.
    plan = planned(
        problem(
            valve("A", passes=120_000, stops=125_000), lots=[(2_520_000, "used", 1), (2_545_000, "new", 1)]
        )
    )
    assert (plan.choices[0].thickness_nm, plan.choices[0].guaranteed) == (2_545_000, True)
    assert plan.score == Score(0, 0, 0, 1, 2, 5_000)


def test_buying_is_avoided_even_at_the_cost_of_the_guarantee():
    plan = planned(problem(valve("A", passes=120_000), lots=[(2_520_000, "used", 1)], catalogue=[2_545_000]))
    assert (plan.choices[0].action, plan.choices[0].guaranteed) == ("stock", False)


@pytest.mark.parametrize(
    ("sizes", "bought"),
    [
        ([2_500_000, 2_540_000, 2_545_000, 2_600_000], 2_540_000),
        ([2_530_000, 2_550_000], 2_550_000),  # as near the aim, but the thinner is not sure to stay in spec
        ([2_521_000], 2_521_000),
        ([2_550_000, 2_550_000], 2_550_000),
    ],
)
def test_the_size_to_buy_is_sure_first_then_nearest_the_aim(sizes, bought):
    assert planned(problem(valve("A", passes=120_000), catalogue=sizes)).to_buy == ((bought, 1),)


def test_of_two_sizes_as_good_the_thinner_is_bought():
    engine = problem(valve("A", passes=120_000, stops=121_000), catalogue=[2_545_000, 2_535_000])
    engine = replace(engine, uncertainty=Uncertainty(micrometer_nm=0, unworn_nm=0))
    assert planned(engine).to_buy == ((2_535_000, 1),)


def test_what_is_bought_is_counted_by_size():
    plan = planned(
        problem(
            valve("A", passes=120_000),
            valve("B", passes=120_000, shim=2_900_000),
            valve("C", passes=120_000),
            catalogue=[2_840_000, 2_540_000],
        )
    )
    assert plan.to_buy == ((2_540_000, 2), (2_840_000, 1))
    assert plan.score.bought == 3


def test_a_valve_in_spec_is_opened_when_its_shim_saves_one_from_staying_unresolved():
    plan = planned(
        problem(
            valve("A", passes=120_000),
            valve("B", passes=180_000, shim=2_540_000),
            lots=[(2_550_000, "used", 1), (2_549_000, "used", 1)],
        )
    )
    # Either lot fits A as well, so B stays shut.
    assert actions(plan) == {"A": "stock", "B": "keep"}
    plan = planned(
        problem(
            valve("A", passes=120_000),
            valve("B", passes=195_000, shim=2_540_000),
            lots=[(2_572_000, "used", 1)],  # too thick for A, right for B
        )
    )
    assert actions(plan) == {"A": "swap", "B": "stock"}
    assert plan.score == Score(0, 0, 0, 2, 1, 17_000)
    assert plan.left_over == ((2_600_000, "A"),)


def test_a_valve_in_spec_is_never_left_without_a_shim():
    plan = planned(problem(valve("A", passes=120_000), valve("B", passes=180_000, shim=2_540_000)))
    assert actions(plan) == {"A": "unresolved", "B": "keep"}
    assert plan.score == Score(1, 0, 0, 1, 0, 0)


def test_the_shim_of_an_unresolved_valve_is_free_for_others():
    plan = planned(
        problem(valve("A", passes=10_000, shim=2_545_000), valve("B", passes=120_000, shim=2_600_000))
    )
    assert actions(plan) == {"A": "unresolved", "B": "swap"}
    assert plan.choices[1].from_valve == "A"
    assert plan.left_over == ((2_600_000, "B"),)
    unresolved = plan.choices[0]
    assert unresolved.thickness_nm is unresolved.called_nm is unresolved.guaranteed is None


def test_never_is_neither_changed_nor_a_donor_nor_counted():
    engine = problem(
        valve("A", passes=120_000), valve("B", passes=300_000, shim=2_540_000, adjust="never"), catalogue=[]
    )
    plan = planned(engine)
    assert actions(plan) == {"A": "unresolved", "B": "keep"}
    assert plan.score == Score(1, 0, 0, 1, 0, 0)
    kept = plan.choices[1]
    assert (kept.verdict, kept.guaranteed, kept.thickness_nm) == ("loose", False, 2_540_000)


def test_always_is_changed_though_in_spec_and_not_for_its_own_shim():
    engine = problem(valve("A", passes=180_000, adjust="always"), lots=[(2_610_000, "used", 1)])
    plan = planned(engine)
    assert (plan.choices[0].action, plan.choices[0].verdict) == ("stock", "in_spec")
    assert plan.score == Score(0, 0, 0, 1, 1, 10_000)
    alone = planned(replace(engine, lots=()))
    assert actions(alone) == {"A": "unresolved"}
    assert alone.left_over == ((2_600_000, "A"),)
    # Another of the same thickness is another shim.
    same = planned(replace(engine, lots=(Lot(thickness_nm=2_600_000, condition="new", quantity=1),)))
    assert (same.choices[0].action, same.score.deviation_nm) == ("stock", 0)


def test_two_always_valves_may_change_shims_with_each_other():
    plan = planned(
        problem(valve("A", passes=180_000, adjust="always"), valve("B", passes=170_000, adjust="always"))
    )
    assert actions(plan) == {"A": "swap", "B": "swap"}


def test_an_unknown_shim_in_spec_is_kept():
    plan = planned(problem(valve("A", passes=180_000, shim=None), valve("B", passes=120_000)))
    kept = plan.choices[0]
    assert (kept.action, kept.thickness_nm, kept.called_nm, kept.guaranteed) == ("keep", None, 180_000, True)
    assert plan.to_measure == ()


@pytest.mark.parametrize(("passes", "adjust"), [(120_000, "auto"), (180_000, "always"), (120_000, "always")])
def test_an_unknown_shim_that_needs_a_change_is_measured_first_and_counts_nowhere(passes, adjust):
    plan = planned(
        problem(
            valve("A", passes=passes, shim=None, adjust=adjust),
            valve("B", passes=180_000),
            catalogue=[2_540_000],
        )
    )
    assert plan.score == Score(0, 0, 0, 0, 0, 0)
    assert plan.to_measure == ("A",)
    measured = plan.choices[0]
    assert measured.action == "measure"
    assert measured.thickness_nm is measured.low_nm is measured.guaranteed is None


def test_an_unknown_shim_out_of_spec_that_is_never_opened_is_kept():
    plan = planned(problem(valve("A", passes=120_000, shim=None, adjust="never")))
    assert (actions(plan), plan.to_measure) == ({"A": "keep"}, ())


def test_a_reading_of_0_is_planned_but_never_guaranteed():
    plan = planned(problem(valve("A", passes=0, stops=1_000), catalogue=[2_420_000]))
    choice = plan.choices[0]
    assert (choice.action, choice.called_nm, choice.guaranteed) == ("buy", 180_000, False)
    assert plan.score.not_guaranteed == 1


def test_a_reading_of_0_that_the_spec_allows_is_kept_but_not_guaranteed():
    kept = planned(problem(valve("A", passes=0, spec=(0, 50_000), aim=30_000))).choices[0]
    assert (kept.action, kept.verdict, kept.guaranteed) == ("keep", "in_spec", False)


def test_a_physical_shim_is_used_once():
    tight = [valve(label, passes=120_000) for label in "ABC"]
    plan = planned(problem(*tight, lots=[(2_540_000, "used", 2)]))
    assert sorted(actions(plan).values()) == ["stock", "stock", "unresolved"]
    assert actions(plan)["C"] == "unresolved"


def test_lots_that_are_alike_are_emptied_in_their_order():
    tight = [valve(label, passes=120_000) for label in "ABCD"]
    lots = [
        (2_600_000, "used", 5),
        (2_540_000, "used", 1),
        (2_540_000, "new", 1),
        (2_540_000, "used", 2),
    ]
    plan = planned(problem(*tight, lots=lots))
    assert [choice.from_lot for choice in plan.choices] == [1, 3, 3, 2]


def test_equal_plans_favour_the_valve_that_comes_first():
    """Either valve may have either shim, for the same sum: the first one gets the one nearer to its aim."""
    tight = [valve("A", passes=120_000), valve("B", passes=120_000)]
    for order in (1, -1):
        lots = [(2_545_000, "used", 1), (2_550_000, "used", 1)][::order]
        plan = planned(problem(*tight, lots=lots))
        assert [choice.thickness_nm for choice in plan.choices] == [2_545_000, 2_550_000]


def test_a_lash_ratio_moves_the_clearance_by_its_measure():
    choice = planned(problem(valve("A", passes=120_000), catalogue=[2_560_000], ratio="1.5")).choices[0]
    assert (choice.low_nm, choice.called_nm, choice.high_nm) == (166_500, 180_000, 203_500)
    assert choice.guaranteed is False


@pytest.mark.parametrize(
    ("added", "called", "off"), [(1, 180_002, 2), (2, 180_003, 3), (3, 180_004, 4), (5, 180_008, 8)]
)
def test_figures_are_rounded_once_half_to_even(added, called, off):
    """With ratio 1.5 a shim one nanometre thinner opens 1.5 nm: halves everywhere."""
    plan = planned(problem(valve("A", passes=120_000), lots=[(2_560_000 - added, "used", 1)], ratio="1.5"))
    assert plan.choices[0].called_nm == called
    assert plan.score.deviation_nm == off


def test_deviations_are_rounded_before_they_are_compared():
    """2.5 nm off counts as 2, no more than 2 nm off does; of equals the thinner shim is taken."""
    plan = planned(
        problem(
            valve("A", passes=150_000, adjust="always"),
            lots=[(2_540_004, "used", 1), (2_539_995, "used", 1)],
            ratio="0.5",
        )
    )
    assert (plan.choices[0].thickness_nm, plan.score.deviation_nm) == (2_539_995, 2)


def test_deviations_are_rounded_one_by_one():
    tight = [valve(label, passes=120_000) for label in "AB"]
    plan = planned(problem(*tight, lots=[(2_559_999, "used", 2)], ratio="1.5"))
    assert plan.score.deviation_nm == 2 * round(Fraction(3, 2))


VALVE = {
    "label": "A",
    "min_nm": 150_000,
    "max_nm": 200_000,
    "aim_nm": 180_000,
    "passes_nm": 120_000,
    "stops_nm": 130_000,
    "shim": OwnShim(thickness_nm=2_600_000, known_by="marked"),
}


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"min_nm": 200_000}, "the least clearance must be below the most"),
        ({"aim_nm": 140_000}, "the aim must lie inside the spec"),
        ({"stops_nm": 120_000}, "the leaf that stops must be thicker"),
        ({"passes_nm": -1}, "the leaf that stops must be thicker"),
        ({"shim": OwnShim(thickness_nm=0, known_by="marked")}, "the shim's thickness must be above 0"),
    ],
)
def test_a_valve_that_contradicts_itself_is_refused_by_label(wrong, says):
    with pytest.raises(ValueError, match=f"A: {says}"):
        Valve(**{**VALVE, **wrong})


def test_what_cannot_be_planned_exactly_is_refused():
    one = Valve(**VALVE)
    with pytest.raises(ValueError, match="label of its own"):
        Problem(valves=(one, one), lots=(), catalogue_nm=())
    for ratio in (Fraction(0), Fraction(-1), Fraction(1001), Fraction(1, 10**7)):
        with pytest.raises(ValueError, match="lash ratio"):
            Problem(valves=(one,), lots=(), catalogue_nm=(), lash_ratio=ratio)
    with pytest.raises(ValueError, match="catalogue size"):
        Problem(valves=(one,), lots=(), catalogue_nm=(0,))
    with pytest.raises(ValueError, match="at least one shim"):
        Lot(thickness_nm=2_600_000, condition="new", quantity=0)
    with pytest.raises(ValueError, match="thickness must be above 0"):
        Lot(thickness_nm=-1, condition="new", quantity=1)
    with pytest.raises(ValueError, match="uncertainty"):
        Uncertainty(micrometer_nm=-1)


def test_the_longest_lengths_and_the_finest_ratio_stay_exact():
    """At the bounds of types.py nothing overflows: the figures still equal those in Fractions."""
    ratio = Fraction(999_999_999, 1_000_000)
    engine = Problem(
        valves=(
            Valve(
                label="A",
                min_nm=0,
                max_nm=10**9,
                aim_nm=5 * 10**8,
                passes_nm=10**9 - 1,
                stops_nm=10**9,
                shim=OwnShim(thickness_nm=10**9 - 10**6, known_by="measured"),
                adjust="always",
            ),
        ),
        lots=(
            Lot(thickness_nm=10**9 - 500_000, condition="used", quantity=1),
            Lot(thickness_nm=1, condition="used", quantity=1),
        ),
        catalogue_nm=(),
        lash_ratio=ratio,
    )
    plan = planned(engine)
    assert plan.choices[0].from_lot == 0
    assert plan.score.deviation_nm == round(abs(10**9 - 1 - ratio * 500_000 - 5 * 10**8))
