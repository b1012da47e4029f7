"""Looking ahead: what a case is, what is counted, and that more stock never makes it worse."""

from fractions import Fraction

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inventory.compute.sizes import FamilyRange, sizes
from jobs.compute.beforehand import (
    ORDER_FROM,
    Cases,
    Change,
    Engine,
    Found,
    PastEngine,
    Position,
    Told,
    cases_of_engine,
    cases_of_type,
    change_between,
    look_ahead,
    percent,
    sentences,
)
from jobs.compute.beforehand.ahead import problem_of_case
from jobs.compute.planner import Lot, OwnShim, Uncertainty, plan_engine

STEP = 25_000
FAMILY = FamilyRange(min_nm=2_000_000, max_nm=3_000_000, step_nm=STEP)
LEAF = 10_000
LOW, HIGH, AIM = 150_000, 200_000, 180_000
LABELS = ("1-IN", "1-EX", "2-IN", "2-EX")


def engine(labels=LABELS):
    positions = tuple(
        Position(
            label=label,
            side="intake" if label.endswith("IN") else "exhaust",
            min_nm=LOW,
            max_nm=HIGH,
            aim_nm=AIM,
        )
        for label in labels
    )
    return Engine(positions=positions, family=FAMILY)


def found(passes, shim=2_600_000, known_by="measured"):
    return Found(
        passes_nm=passes,
        stops_nm=passes + LEAF,
        shim=None if shim is None else OwnShim(thickness_nm=shim, known_by=known_by),
    )


def past(*passes, shims=(2_600_000,) * 4):
    """One engine by its valves' leaves in the order of LABELS; a None is a valve that was not read."""
    valves = {
        label: found(each, shim)
        for label, each, shim in zip(LABELS, passes, shims, strict=True)
        if each is not None
    }
    known = {label: shim for label, shim in zip(LABELS, shims, strict=True) if shim is not None}
    return PastEngine(valves=valves, shims=known)


def new(thickness, quantity=1):
    return Lot(thickness_nm=thickness, condition="new", quantity=quantity)


FINE = (180_000,) * 4
# 1-IN is tight by 50 um beside its aim: 2.550 mm sets it right.
TIGHT = (130_000, 180_000, 180_000, 180_000)

leaves = st.integers(8, 26).map(lambda count: count * LEAF)
thicknesses = st.sampled_from(range(2_400_000, 2_800_001, STEP))
engines = st.lists(
    st.tuples(*[leaves] * 4, st.tuples(*[thicknesses] * 4)).map(lambda one: past(*one[:4], shims=one[4])),
    min_size=1,
    max_size=5,
)
stocks = st.lists(
    st.builds(new, st.sampled_from(range(2_300_000, 2_900_001, STEP)), st.integers(1, 2)), max_size=8
)


# Each example plans up to fifteen engines.
planned = settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])


class TestCases:
    def test_a_type_is_as_its_engines_came_in(self):
        cases = cases_of_type(engine(), [past(*TIGHT), past(*FINE)], most=10)
        assert [[valve.passes_nm for valve in case] for case in cases.engines] == [list(TIGHT), list(FINE)]
        assert (cases.rest_on, cases.left_out) == (2, 0)

    def test_an_engine_that_was_not_read_whole_is_left_out_and_counted(self):
        cases = cases_of_type(engine(), [past(*TIGHT), past(180_000, None, 180_000, 180_000)], most=10)
        assert (len(cases.engines), cases.rest_on, cases.left_out) == (1, 1, 1)

    def test_only_the_newest(self):
        cases = cases_of_type(engine(), [past(*TIGHT), past(*FINE)], most=1)
        assert [case[0].passes_nm for case in cases.engines] == [TIGHT[0]]

    def test_an_unknown_shim_is_drawn_where_its_valve_needs_a_change_only(self):
        unknown = past(*TIGHT, shims=(None, None, None, 2_700_000))
        known = past(*FINE, shims=(2_475_000, 2_500_000, None, None))
        first, _ = cases_of_type(engine(), [unknown, known], most=10).engines
        assert first[0].shim == OwnShim(thickness_nm=2_475_000, known_by="measured")
        assert [valve.shim and valve.shim.thickness_nm for valve in first[1:]] == [None, None, 2_700_000]

    def test_with_nothing_to_draw_from_it_is_left_out(self):
        cases = cases_of_type(engine(), [past(*TIGHT, shims=(None, 2_500_000, None, None))], most=10)
        assert (cases.engines, cases.left_out) == ((), 1)

    def test_an_engine_is_as_it_was_left_and_changed_as_others_changed(self):
        left = {label: found(180_000) for label in LABELS}
        tighter = Change(by_nm=dict(zip(LABELS, (-50_000, 0, 10_000, -200_000), strict=True)))
        cases = cases_of_engine(engine(), left, [tighter], [], most=10)
        (case,) = cases.engines
        # Less than no clearance there is not.
        assert [valve.passes_nm for valve in case] == [130_000, 180_000, 190_000, 0]
        assert [valve.stops_nm - valve.passes_nm for valve in case] == [LEAF] * 4
        assert (cases.rest_on, cases.left_out) == (1, 0)

    def test_a_change_that_lacks_a_valve_is_left_out(self):
        left = {label: found(180_000) for label in LABELS}
        cases = cases_of_engine(engine(), left, [Change(by_nm={"1-IN": 0})], [], most=10)
        assert (cases.engines, cases.rest_on, cases.left_out) == ((), 0, 1)

    def test_of_a_valve_that_was_not_read_last_time_nothing_is_said(self):
        left = {label: found(180_000) for label in LABELS[:3]}
        cases = cases_of_engine(engine(), left, [Change(by_nm=dict.fromkeys(LABELS, 0))], [], most=10)
        assert cases.said_nothing_of == ("2-EX",)
        assert [valve.label for valve in cases.engines[0]] == list(LABELS[:3])

    def test_unknown_shims_of_the_engine_are_drawn_in_turn_and_the_engines_still_count_once(self):
        left = {label: found(180_000, None) for label in LABELS}
        tighter = Change(by_nm=dict.fromkeys(LABELS, 0) | {"1-IN": -50_000})
        pool = [past(*FINE, shims=(size, None, None, None)) for size in (2_500_000, 2_525_000, 2_550_000)]
        cases = cases_of_engine(engine(), left, [tighter], pool, most=10)
        drawn = [case[0].shim.thickness_nm for case in cases.engines]
        assert drawn == [2_500_000, 2_525_000, 2_550_000, 2_500_000]
        assert cases.rest_on == 1

    def test_shims_that_are_not_those_that_were_left_say_that_somebody_else_was_there(self):
        left, same = {"1-IN": found(180_000)}, {"1-IN": found(170_000, 2_608_000)}
        assert change_between(left, same, Uncertainty()).by_nm == {"1-IN": -10_000}
        assert change_between(left, {"1-IN": found(170_000, 2_608_001)}, Uncertainty()) is None
        assert change_between(left, {"1-IN": found(170_000, None)}, Uncertainty()).by_nm == {"1-IN": -10_000}


class TestLookAhead:
    @planned
    @given(engines, stocks, stocks)
    def test_more_stock_never_lowers_the_chance(self, history, few, more):
        cases = cases_of_type(engine(), history, most=100)
        less, better = (look_ahead(engine(), cases, lots) for lots in (few, few + more))
        assert better.done >= less.done
        assert better.low >= less.low
        assert better.high >= less.high

    @planned
    @given(engines, stocks)
    def test_every_count_is_what_planning_each_case_by_hand_comes_to(self, history, lots):
        cases = cases_of_type(engine(), history, most=100)
        ahead = look_ahead(engine(), cases, lots)
        plans = [plan_engine(problem_of_case(engine(), case, lots)) for case in cases.engines]
        assert ahead.done == sum(not plan.to_buy and not plan.score.unresolved for plan in plans)
        assert ahead.unresolved == sum(plan.score.unresolved > 0 for plan in plans)
        assert ahead.cases == len(history)
        for row in ahead.sizes:
            wanted = [
                sum(
                    choice.action in ("stock", "buy") and choice.thickness_nm == row.size_nm
                    for choice in plan.choices
                )
                for plan in plans
            ]
            assert row.wanted == sum(count > 0 for count in wanted)
            assert row.most == max(wanted)
            assert row.bought == sum(
                any(size.thickness_nm == row.size_nm for size in plan.to_buy) for plan in plans
            )
        assert sum(row.wanted for row in ahead.sizes) >= len(plans) - ahead.done - ahead.unresolved

    @planned
    @given(engines, stocks)
    def test_what_is_ordered_makes_it_no_worse_and_each_size_is_lacking_often_enough(self, history, lots):
        cases = cases_of_type(engine(), history, most=100)
        ahead = look_ahead(engine(), cases, lots)
        assert ahead.done <= ahead.with_order <= ahead.cases - ahead.unresolved
        for row in ahead.sizes:
            assert bool(row.order) == (Fraction(row.bought, ahead.cases) >= ORDER_FROM)

    @planned
    @given(engines, stocks)
    def test_the_same_twice(self, history, lots):
        cases = [cases_of_type(engine(), history, most=100) for _ in range(2)]
        assert cases[0] == cases[1]
        assert look_ahead(engine(), cases[0], lots) == look_ahead(engine(), cases[1], lots)

    @planned
    @given(st.lists(st.sampled_from(range(30_000, 101_000, LEAF)), min_size=1, max_size=6))
    def test_with_empty_bins_and_a_change_that_no_swap_brings_the_chance_is_nothing(self, tight):
        # All shims are alike, so a swap changes nothing, and 1-IN wants a thinner one every time.
        cases = cases_of_type(engine(), [past(passes, *FINE[1:]) for passes in tight], most=100)
        ahead = look_ahead(engine(), cases, [])
        assert (ahead.done, ahead.chance, ahead.low) == (0, 0, 0)
        assert all(row.state == "missing" for row in ahead.sizes)

    def test_own_shims_are_donors(self):
        # 1-IN is tight and 2-IN loose; each wants what the other has.
        swap = past(130_000, 180_000, 230_000, 180_000, shims=(2_600_000, 2_600_000, 2_550_000, 2_600_000))
        ahead = look_ahead(engine(), cases_of_type(engine(), [swap], most=10), [])
        assert (ahead.done, ahead.sizes) == (1, ())

    def test_states_of_the_sizes(self):
        cases = cases_of_type(engine(), [past(*TIGHT), past(130_000, 130_000, 180_000, 180_000)], most=10)

        def state(*lots):
            (row,) = look_ahead(engine(), cases, lots).sizes
            return row.size_nm, row.state, row.wanted, row.bought, row.most

        assert state() == (2_550_000, "missing", 2, 2, 2)
        assert state(new(2_550_000)) == (2_550_000, "short", 2, 1, 2)
        assert state(new(2_550_000, 2)) == (2_550_000, "here", 2, 0, 2)
        only = cases_of_type(engine(), [past(*TIGHT)], most=10)
        assert look_ahead(engine(), only, [new(2_550_000)]).sizes[0].state == "last"

    def test_what_comes_is_not_ordered_again(self):
        cases = cases_of_type(engine(), [past(130_000, 130_000, 180_000, 180_000)], most=10)
        orders = [
            [row.order for row in look_ahead(engine(), cases, [], {2_550_000: coming}).sizes]
            for coming in (0, 1, 2, 3)
        ]
        assert orders == [[2], [1], [0], [0]]
        assert look_ahead(engine(), cases, [], {2_550_000: 2}).with_order == 1

    def test_no_size_that_would_do_is_neither_done_nor_bought(self):
        # It wants more than 3.000 mm, the thickest that is made.
        loose = past(400_000, *FINE[1:], shims=(2_900_000, 2_600_000, 2_600_000, 2_600_000))
        ahead = look_ahead(engine(), cases_of_type(engine(), [loose], most=10), [])
        assert (ahead.done, ahead.unresolved, ahead.sizes, ahead.with_order) == (0, 1, (), 0)

    def test_the_case_is_planned_as_any_engine_is(self):
        problem = problem_of_case(engine(), cases_of_type(engine(), [past(*TIGHT)], most=1).engines[0], [])
        assert problem.catalogue_nm == sizes(FAMILY)


class TestWords:
    told = Told(basis="type", named="Twin 4")

    def say(self, history, lots=(), told=None, **more):
        cases = cases_of_type(engine(), history, most=100)
        return " ".join(sentences(told or self.told, cases, look_ahead(engine(), cases, lots, **more)))

    def test_no_history_gives_no_figure(self):
        said = self.say([])
        assert said == "No past Twin 4 was set right here yet: look at the drawer yourself."
        assert not any(character.isdigit() for character in said.replace("Twin 4", ""))

    def test_an_engine_in_no_list(self):
        nothing = Cases(engines=(), rest_on=0, left_out=0)
        (said,) = sentences(Told(basis="type", named=""), nothing, look_ahead(engine(), nothing, []))
        assert said == "Its engine is in no list, so no past engine is like it: look at the drawer yourself."

    def test_history_that_was_not_read_whole(self):
        assert "read whole here (1 in part)" in self.say([past(180_000, None, None, None)])

    def test_the_answer(self):
        said = self.say([past(*TIGHT), past(*FINE), past(*FINE), past(*FINE)])
        assert "In 3 of 4 cases nothing has to be bought: 75 %." in said
        assert "From 4 past engines" in said
        assert "Not in the building: 2.550 mm (wanted in 1 of 4)." in said
        assert "Order today: 1 × 2.550 mm." in said
        assert "nothing more has to be bought in 4 of 4 cases" in said
        assert "little to go by" in said

    def test_the_last_one(self):
        said = self.say([past(*TIGHT)], [new(2_550_000)])
        assert "Down to the last one: 2.550 mm (wanted in 1 of 1)." in said

    def test_what_is_coming(self):
        assert "What is lacking is coming" in self.say([past(*TIGHT)], coming={2_550_000: 1})

    def test_nothing_to_order(self):
        assert "Nothing is to be ordered for it." in self.say([past(*FINE)])

    def test_too_seldom_to_order(self):
        said = self.say([past(*TIGHT), *[past(*FINE)] * 9])
        assert "No single size is lacking often enough" in said

    @pytest.mark.parametrize(
        ("share", "words"),
        [
            (Fraction(0), "0 %"),
            (Fraction(1, 1000), "1 %"),
            (Fraction(1, 8), "13 %"),
            (Fraction(999, 1000), "99 %"),
            (Fraction(1), "100 %"),
        ],
    )
    def test_percent_is_never_all_or_nothing_where_it_is_not(self, share, words):
        assert percent(share) == words
