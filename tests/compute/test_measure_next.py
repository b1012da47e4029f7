"""What to measure next: probabilities reckoned by hand and by trying every thickness."""

import random
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jobs.compute.measure_next import PRIOR_SHIMS, History, measure_next
from jobs.compute.planner import OwnShim
from tests.compute.planner_cases import STEP, problem, random_engine, valve
from tests.compute.planner_oracles import by_shortest_paths

SIZES = tuple(range(2_400_000, 2_800_001, STEP))  # 17 of them
EACH = Fraction(PRIOR_SHIMS, len(SIZES))


def history(found=None):
    return History(found=found or {}, sizes_nm=SIZES)


def test_one_tight_valve_and_one_unknown_shim():
    # A takes 2.500 to 2.550 mm, so B's shim would have to be one of these; B, in spec at 0.170 mm, then
    # takes 2.470 to 2.570 mm, and A's own 2.600 mm is not among them: B cannot do without its shim.
    engine = problem(valve("A", passes=100_000), valve("B", passes=170_000, shim=None))
    seen = history({2_525_000: 10, 2_700_000: 6})
    told = measure_next(engine, {"B": seen})
    assert told.wanting == ("A",)
    assert told.candidates == ()
    spare = problem(
        valve("A", passes=100_000), valve("B", passes=170_000, shim=None), lots=[(2_530_000, "new", 1)]
    )
    assert measure_next(spare, {"B": seen}).wanting == ()


def test_the_probability_is_that_of_the_sizes_that_help():
    # A takes 2.500 to 2.550 mm. B, in spec at 0.170 mm, takes from its own - 0.030 to its own + 0.020 mm.
    # The used 2.560 mm does not do for A, but for B where B's own is 2.540 to 2.590 mm: of what A takes
    # that is 2.550 mm.
    engine = problem(
        valve("A", passes=100_000), valve("B", passes=170_000, shim=None), lots=[(2_560_000, "used", 1)]
    )
    told = measure_next(engine, {"B": history({2_550_000: 3, 2_549_000: 1, 2_600_000: 8})})
    (candidate,) = told.candidates
    assert candidate.label == "B"
    assert candidate.helps == (2_550_000,)
    assert candidate.probability == (4 + EACH) / (12 + PRIOR_SHIMS)
    # A counts as opened already, and B is opened to be looked at.
    assert candidate.openings == 1
    assert candidate.per_opening == candidate.probability
    assert candidate.rests_on_little
    assert candidate.seen == 12


def test_without_any_history_every_size_is_as_likely():
    chances = history().chances()
    assert set(chances.values()) == {Fraction(1, len(SIZES))}


def test_a_measured_shim_counts_at_the_nearest_size_and_the_thinner_where_two_are_as_near():
    chances = history({2_512_000: 1, 2_512_500: 1, 2_513_000: 1}).chances()
    total = 3 + PRIOR_SHIMS
    assert chances[2_500_000] == (2 + EACH) / total
    assert chances[2_525_000] == (1 + EACH) / total


def test_a_family_without_sizes_is_refused():
    with pytest.raises(ValueError, match="at least one size"):
        History(found={}, sizes_nm=())


@given(
    st.dictionaries(st.integers(2_300_000, 2_900_000), st.integers(1, 50), max_size=30),
    st.lists(st.integers(1_000_000, 4_000_000), min_size=1, max_size=60),
)
def test_probabilities_sum_to_one_and_grow_with_what_was_found(found, sizes):
    chances = History(found=found, sizes_nm=tuple(sizes)).chances()
    assert sum(chances.values()) == 1
    assert all(chance > 0 for chance in chances.values())
    size = sizes[0]
    more = History(found={**found, size: found.get(size, 0) + 5}, sizes_nm=tuple(sizes)).chances()
    assert more[size] >= chances[size]


def test_nothing_is_asked_where_nothing_is_wanting():
    engine = problem(valve("A", passes=170_000), valve("B", passes=170_000, shim=None))
    told = measure_next(engine, {"B": history()})
    assert (told.wanting, told.anyway, told.candidates) == ((), (), ())


def test_what_must_be_opened_anyway_stands_apart():
    engine = problem(valve("A", passes=100_000, shim=None), valve("B", passes=100_000))
    told = measure_next(engine, {"A": history()})
    assert told.anyway == ("A",)
    assert told.wanting == ("B",)
    assert told.candidates == ()


def unknown(engine, seed):
    """The engine with more shims unknown, and histories for all of these."""
    rng = random.Random(f"unknown {seed}")
    valves = tuple(replace(one, shim=None) if rng.random() < 0.4 else one for one in engine.valves)
    histories = {
        one.label: History(
            found={rng.randrange(2_300_000, 2_900_000, 5_000): rng.randrange(1, 9) for _ in range(6)},
            sizes_nm=tuple(range(2_200_000, 3_000_001, 2 * STEP)),
        )
        for one in valves
        if one.shim is None
    }
    return replace(engine, valves=valves), histories


def test_equals_trying_every_thickness():
    """By an optimum that knows nothing of the planner, over every size and not only those in a window."""
    helped = 0
    for seed in range(9_000, 9_400):
        engine, histories = unknown(random_engine(seed, valves=(3, 7), lots=(0, 8), sizes=3), seed)
        before = by_shortest_paths(engine)[:2]
        expected = {}
        for index, one in enumerate(engine.valves):
            in_spec = one.min_nm <= one.passes_nm <= one.max_nm
            if one.shim is not None or one.adjust != "auto" or not in_spec or before == (0, 0):
                continue
            helps, chance = [], Fraction(0)
            for size, probability in histories[one.label].chances().items():
                valves = list(engine.valves)
                valves[index] = replace(one, shim=OwnShim(thickness_nm=size, known_by="measured"))
                if by_shortest_paths(replace(engine, valves=tuple(valves)))[:2] < before:
                    helps.append(size)
                    chance += probability
            if helps:
                expected[one.label] = (tuple(helps), chance)
        told = measure_next(engine, histories)
        got = {one.label: (one.helps, one.probability) for one in told.candidates}
        assert got == expected, f"random_engine({seed}, ...)"
        ranks = [one.per_opening for one in told.candidates]
        assert ranks == sorted(ranks, reverse=True)
        assert all(one.openings >= 1 for one in told.candidates)
        helped += bool(expected)
    assert helped > 25
