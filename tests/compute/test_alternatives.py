"""Plans under other wishes: best by trying everything, told apart, and none that another beats."""

import random
from collections import Counter
from dataclasses import replace
from fractions import Fraction

import pytest

from jobs.compute.alternatives import (
    WISHES,
    Alternative,
    Asked,
    Figures,
    alternatives,
    asked_for,
    figures_of,
    name_of,
    pareto_front,
    preference_for,
)
from jobs.compute.planner import Lot, Preference, Score, plan_engine, verify
from tests.compute.planner_cases import problem, random_engine, valve
from tests.compute.planner_oracles import by_network_simplex, by_trying_everything

# The orders written out once more, by the places of the six figures in the score.
ORDERS = {
    "usual": (0, 1, 2, 3, 4, 5),
    "fewest_opened": (0, 3, 1, 2, 4, 5),
    "buy_nothing": (0, 1, 2, 3, 4, 5),
    "closest": (0, 5, 1, 2, 3, 4),
    "no_used": (0, 1, 2, 3, 4, 5),
}


def spread(engine, seed):
    """The engine with some of its lots at another site."""
    rng = random.Random(f"elsewhere {seed}")
    return replace(engine, lots=tuple(replace(lot, elsewhere=rng.random() < 0.4) for lot in engine.lots))


def by_hand(engine, asked):
    """The engine with only what the wish allows, written from its words."""
    lots = tuple(
        lot
        for lot in engine.lots
        if not (asked.wish == "no_used" and lot.condition == "used") and not (asked.here and lot.elsewhere)
    )
    return replace(engine, lots=lots, catalogue_nm=() if asked.wish == "buy_nothing" else engine.catalogue_nm)


@pytest.mark.parametrize("wish", list(WISHES))
def test_plan_is_the_first_of_the_best_by_trying_everything(wish):
    for seed in range(7_000, 7_250):
        engine = spread(random_engine(seed, valves=(2, 5), lots=(0, 5), sizes=6), seed)
        for here in (False, True):
            asked = Asked(wish, here)
            preference = preference_for(asked)
            plan = plan_engine(engine, preference)
            best, picked = by_trying_everything(by_hand(engine, asked), ORDERS[wish])
            assert preference.key(plan.score) == best, f"random_engine({seed}, ...), {asked}"
            movable = tuple(
                (choice.action, choice.thickness_nm)
                for choice, own in zip(plan.choices, engine.valves, strict=True)
                if own.shim is not None and own.adjust != "never"
            )
            assert movable == picked, f"random_engine({seed}, ...), {asked}"
            allowed = {"buy": wish != "buy_nothing", "used": wish != "no_used", "elsewhere": not here}
            assert verify(engine, plan, **allowed) == [], f"random_engine({seed}, ...), {asked}"


def test_larger_engines_equal_the_network_simplex_where_only_the_restrictions_differ():
    for seed in range(7_500, 7_560):
        engine = spread(random_engine(seed), seed)
        for wish in ("usual", "buy_nothing", "no_used"):
            asked = Asked(wish, here=True)
            plan = plan_engine(engine, preference_for(asked))
            assert plan.score == by_network_simplex(by_hand(engine, asked)), f"random_engine({seed}), {wish}"


def test_any_order_of_the_ranks_is_solved():
    rng = random.Random(1)
    for seed in range(7_600, 7_900):
        order = [0, *rng.sample(range(1, 6), 5)]
        engine = spread(random_engine(seed, valves=(2, 4), lots=(0, 5), sizes=5), seed)
        preference = Preference(ranks=tuple(Score._fields[place] for place in order))
        best, _ = by_trying_everything(engine, order)
        assert preference.key(plan_engine(engine, preference).score) == best, f"{seed}, {order}"


def test_verify_names_what_a_wish_does_not_allow():
    tight = valve("A", passes=100_000)
    own_lot = problem(tight, lots=[(2_520_000, "used", 1)])
    sent = replace(own_lot, lots=tuple(replace(lot, elsewhere=True) for lot in own_lot.lots))
    bought = problem(tight, catalogue=[2_525_000])
    assert verify(own_lot, plan_engine(own_lot), used=False) == [
        "A: a used shim is taken from stock though none is to be"
    ]
    assert verify(sent, plan_engine(sent), elsewhere=False) == [
        "A: a shim of another site is taken though none is to be"
    ]
    assert verify(bought, plan_engine(bought), buy=False) == ["A: a shim is bought though nothing is to be"]


def test_a_shim_from_another_site_is_dearer_than_any_here():
    tight = valve("A", passes=100_000)
    engine = problem(tight, lots=[(2_525_000, "new", 1), (2_520_000, "used", 1)])
    engine = replace(engine, lots=(engine.lots[0], replace(engine.lots[1], elsewhere=True)))
    assert plan_engine(engine).choices[0].thickness_nm == 2_525_000
    only = replace(engine, lots=engine.lots[1:])
    assert plan_engine(only).score.stock_cost == 3
    assert "from another site" in plan_engine(only).choices[0].why


def test_a_preference_without_unresolved_first_is_refused():
    for ranks in (("opened", *Score._fields[:3]), tuple(reversed(Score._fields))):
        with pytest.raises(ValueError, match="unresolved first"):
            Preference(ranks=ranks)


def test_one_engine_where_every_wish_leads_elsewhere():
    engine = problem(
        valve("A", passes=100_000, shim=2_600_000),  # tight: takes 2.500 to 2.550 mm
        valve("B", passes=170_000, shim=2_520_000),  # in spec, and its shim would do for A
        lots=[(2_530_000, "used", 1), (2_545_000, "new", 1), (2_500_000, "used", 1)],
        catalogue=[2_520_000],
    )
    found = {one.key: one for one in alternatives(engine)}
    usual = found["usual"]
    assert usual.plan.score == Score(0, 0, 0, 1, 1, 10_000)
    assert [asked.wish for asked in usual.asked] == ["usual", "fewest_opened", "buy_nothing"]
    # 2.520 mm brings A to 0.18 mm, its aim, be it bought or B's own.
    assert found["closest"].plan.score.deviation_nm == 0
    assert found["closest"].plan.score.bought == 1
    assert found["no_used"].figures.new_taken == 1
    assert found["no_used"].figures.used_taken == 0


def test_the_front_has_no_repeats_and_nobody_on_it_is_beaten():
    seen = Counter()
    for seed in range(8_000, 8_150):
        engine = spread(random_engine(seed, valves=(2, 8), lots=(0, 12), sizes=12), seed)

        def cost(plan):
            return Fraction(3 * plan.score.bought + plan.score.opened)

        found = alternatives(engine, cost)
        assert found[0].asked[0] == Asked("usual", here=False)
        shown = [
            [
                (choice.action, choice.thickness_nm, choice.from_valve, choice.from_lot)
                for choice in one.plan.choices
            ]
            for one in found
        ]
        assert all(shown.count(one) == 1 for one in shown), seed
        assert len({one.key for one in found}) == len(found)
        every = [
            (*figures_of(engine, plan), cost(plan))
            for plan in (
                plan_engine(engine, preference_for(Asked(wish, here)))
                for wish in WISHES
                for here in (False, True)
            )
        ]
        for one in found:
            mine = (*one.figures, one.cost)
            assert not any(
                other != mine and all(theirs <= ours for theirs, ours in zip(other, mine, strict=True))
                for other in every
            ), seed
            for asked in one.asked:
                assert asked_for(name_of(asked)) == asked
                seen[asked] += 1
        seen[len(found)] += 1
    assert all(seen[Asked(wish, here)] > 20 for wish in WISHES for here in (False, True)), seen
    assert max(key for key in seen if isinstance(key, int)) >= 4


def test_a_cost_that_is_not_known_beats_nobody():
    figures = Figures(0, 1, 0, 1, 0, 0, 0, 5)
    worse = figures._replace(deviation_nm=9)
    plan = plan_engine(problem())

    def one(figures, cost):
        return Alternative(asked=(Asked("usual", here=False),), plan=plan, figures=figures, cost=cost)

    known, unknown = one(worse, Fraction(3)), one(figures, None)
    assert pareto_front([known, unknown]) == [known, unknown]
    assert pareto_front([one(worse, None), unknown]) == [unknown]
    assert pareto_front([known, one(figures, Fraction(2))]) == [one(figures, Fraction(2))]


def test_names_that_stand_for_nothing():
    assert asked_for("cheapest") is None
    assert asked_for("usual-here") == Asked("usual", here=True)


def test_what_is_wanted_from_stock_is_counted():
    engine = problem(valve("A", passes=100_000), valve("B", passes=100_000))
    engine = replace(
        engine,
        lots=(
            Lot(thickness_nm=2_520_000, condition="used", quantity=1, elsewhere=True),
            Lot(thickness_nm=2_525_000, condition="new", quantity=1),
        ),
    )
    figures = figures_of(engine, plan_engine(engine))
    assert (figures.new_taken, figures.used_taken, figures.sent) == (1, 1, 1)


def test_sentences_say_only_what_the_wish_makes_true():
    tight = valve("A", passes=100_000)
    spare = problem(tight, lots=[(2_545_000, "used", 1)], catalogue=[2_520_000])
    closest = plan_engine(spare, WISHES["closest"]).choices[0]
    assert closest.action == "buy"
    assert "nothing to spare" not in closest.why
    none = plan_engine(spare, replace(WISHES["no_used"], buy=False)).choices[0]
    assert none.action == "unresolved"
    assert "used ones left where they are, and nothing is to be bought" in none.why
