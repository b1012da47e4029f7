"""Shims traced from engine to engine: told cases, and drawn books in which every shim is followed by name."""

from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inventory.compute import tracing
from inventory.compute.journeys import MOST_NAMED, Act, Step, Where
from inventory.compute.tracing import RECENT, Tracer, UnforeseenError
from tests.compute.books_of_shims import Done, books, possible_origins

ENGINE, TRAY, BENCH, BIN, TRANSIT = "engine", "tray", "bench", "bin", "transit"
DIFFERENCE, SCRAP, SUPPLIER = "difference", "scrap", "supplier"
AT = datetime(2026, 3, 2, tzinfo=UTC)
NM = 2_634_000
WHERE = {ENGINE: Where.ENGINE, DIFFERENCE: Where.DIFFERENCE}
WHERE |= dict.fromkeys((SCRAP, SUPPLIER), Where.OUTSIDE)


def step(place, quantity, nm=NM, condition="used", family="disc29"):
    return Step((place, family, nm, condition), quantity, WHERE.get(place, Where.KEPT))


def act(seq, job, *steps, reverses=None, regrades=False):
    return Act(seq=seq, at=AT, job=job, steps=steps, reverses=reverses, regrades=regrades)


def move(seq, job, source, target, quantity=1, nm=NM):
    return act(seq, job, step(source, -quantity, nm), step(target, quantity, nm))


def undo(seq, done):
    back = [one._replace(quantity=-one.quantity) for one in done.steps]
    return act(seq, done.job, *back, reverses=done.seq)


def known(acts):
    """The acts, those that one of them undoes told as reversed."""
    undone = {one.reverses for one in acts}
    return [replace(one, is_reversed=one.seq in undone) for one in acts]


def journeys(acts):
    return tracing.journeys(known(acts))


def told(acts):
    return [(journey.in_seq, journey.could_be) for journey in journeys(acts)]


def test_from_one_engine_over_the_bench_into_another():
    acts = [
        act(1, "job 1", step(ENGINE, -1, 2_650_000, "unmeasured"), step(TRAY, 1, 2_650_000, "unmeasured")),
        act(2, "job 1", step(TRAY, -1, 2_650_000, "unmeasured"), step(BENCH, 1, 2_650_000, "unmeasured")),
        act(3, None, step(BENCH, -1, 2_650_000, "unmeasured"), step(BENCH, 1)),
        move(4, None, BENCH, BIN),
        move(5, "job 2", BIN, ENGINE),
    ]
    (journey,) = journeys(acts)
    assert (journey.from_job, journey.out_seq, journey.out_nm) == ("job 1", 1, 2_650_000)
    assert (journey.to_job, journey.in_seq, journey.in_nm) == ("job 2", 5, NM)
    assert journey.certain


def test_a_swap_within_one_engine():
    acts = [move(1, "job 1", ENGINE, TRAY, 2), move(2, "job 1", TRAY, ENGINE)]
    (journey,) = journeys(acts)
    assert (journey.from_job, journey.to_job, journey.certain) == ("job 1", "job 1", True)


def test_equal_shims_of_two_engines_cannot_be_told_apart():
    acts = [
        move(1, "job 1", ENGINE, TRAY),
        move(2, "job 2", ENGINE, TRAY),
        move(3, "job 3", TRAY, ENGINE),
        move(4, "job 4", TRAY, ENGINE),
    ]
    first, second = journeys(acts)
    assert (first.from_job, first.certain) == ("job 1", False)
    # Two lay there when the first left, one when the second did; which one it was nobody saw.
    assert (second.from_job, second.to_job) == ("job 2", "job 4")
    assert first.could_be == second.could_be == ("job 1", "job 2")


class TestWhatComesIn:
    """Otherwise than out of an engine: where it was before is not known, and never certain."""

    PULLED = move(1, "job 1", ENGINE, BIN)
    INTO = move(9, "job 2", BIN, ENGINE)

    def told(self, *acts):
        (journey,) = journeys([*acts, self.INTO])
        assert (journey.from_job, journey.out_seq, journey.certain) == (None, None, False)
        return journey.could_be

    @pytest.mark.parametrize("place", [DIFFERENCE, SUPPLIER])
    def test_before_any_engine(self, place):
        assert self.told(move(1, None, place, BIN)) == (None,)

    def test_out_to_another_site_and_back(self):
        sent, taken_in = move(2, None, BIN, TRANSIT), act(3, None, step(TRANSIT, -1))
        assert self.told(self.PULLED, sent, taken_in, act(4, None, step(BIN, 1))) == (None, "job 1")

    def test_sent_back_to_a_supplier_and_received_again(self):
        assert self.told(self.PULLED, move(2, None, BIN, SUPPLIER), move(3, None, SUPPLIER, BIN)) == (None,)

    def test_missed_before_and_only_after_it_was_found(self):
        missed, found = move(2, None, BIN, DIFFERENCE), move(3, None, DIFFERENCE, BIN)
        assert self.told(self.PULLED, missed, found) == (None, "job 1")
        elsewhere = [move(1, "job 1", ENGINE, TRAY), move(2, None, DIFFERENCE, BIN)]
        assert self.told(*elsewhere, move(3, None, TRAY, DIFFERENCE)) == (None,)
        (journey,) = journeys([*elsewhere, self.INTO, move(10, None, TRAY, DIFFERENCE)])
        assert not journey.certain

    def test_missed_at_another_thickness_or_before_it_was_measured(self):
        at_once = act(2, None, step(BIN, -1, 2_650_000), step(DIFFERENCE, 1, 2_650_000))
        at_once = replace(at_once, steps=[*at_once.steps, step(DIFFERENCE, -1), step(BIN, 1)])
        assert self.told(move(1, "job 1", ENGINE, BIN, nm=2_650_000), at_once) == (None,)
        waiting = act(1, "job 1", step(ENGINE, -1, NM, "unmeasured"), step(BENCH, 1, NM, "unmeasured"))
        missed = act(2, None, step(BENCH, -1, NM, "unmeasured"), step(DIFFERENCE, 1, NM, "unmeasured"))
        assert self.told(waiting, missed, move(3, None, DIFFERENCE, BIN)) == (None,)

    def test_scrapped_and_found_again(self):
        assert self.told(self.PULLED, move(2, None, BIN, SCRAP), move(3, None, DIFFERENCE, BIN)) == (None,)

    def test_what_was_missed_and_is_there_again_may_be_another(self):
        missed = move(2, None, BIN, DIFFERENCE)
        (journey,) = journeys([self.PULLED, missed, undo(3, missed), self.INTO])
        assert (journey.from_job, journey.could_be) == ("job 1", (None, "job 1"))
        assert not journey.certain


class TestReversals:
    PULLED = move(1, "job 1", ENGINE, BIN)
    FIT = move(2, "job 2", BIN, ENGINE)

    def test_a_fit_that_was_reversed_is_no_journey_and_the_shim_comes_from_where_it_came(self):
        undone = undo(3, self.FIT)
        assert told([self.PULLED, self.FIT, undone]) == []
        again = move(4, "job 3", BIN, ENGINE)
        (journey,) = journeys([self.PULLED, self.FIT, undone, again])
        assert (journey.from_job, journey.out_seq, journey.to_job) == ("job 1", 1, "job 3")
        assert journey.certain

    def test_a_reversal_that_was_reversed_leaves_the_fit_as_it_was(self):
        undone = undo(3, self.FIT)
        stands = undo(4, undone)
        assert told([self.PULLED, self.FIT, undone, stands]) == [(2, ("job 1",))]
        assert told([self.PULLED, self.FIT, undone, stands, undo(5, stands)]) == []

    def test_a_pull_that_was_reversed_leaves_nothing_of_its_engine(self):
        acts = [self.PULLED, undo(2, self.PULLED), move(3, "job 2", ENGINE, BIN)]
        assert told([*acts, move(4, "job 3", BIN, ENGINE)]) == [(4, ("job 2",))]

    def test_a_pull_reversed_after_others_came_to_lie_there_leaves_it_open(self):
        """The one that was put back may have been the other."""
        acts = [self.PULLED, move(2, "job 2", ENGINE, BIN), undo(3, self.PULLED)]
        assert told([*acts, move(4, "job 3", BIN, ENGINE)]) == [(4, ("job 1", "job 2"))]

    def test_what_was_scrapped_by_mistake_is_that_shim_again(self):
        first = move(2, None, BIN, SCRAP)
        second = move(4, None, BIN, SCRAP)
        acts = [self.PULLED, first, move(3, "job 2", ENGINE, BIN), second, undo(5, second)]
        assert told([*acts, move(6, "job 3", BIN, ENGINE)]) == [(6, ("job 2",))]

    def test_whoever_took_from_the_bin_before_a_move_was_reversed_may_have_had_that_shim(self):
        """Had it been keyed by mistake, the shim lay there all the while."""
        moved = move(2, None, BIN, TRAY)
        acts = [self.PULLED, moved, move(3, "job 2", ENGINE, BIN), move(4, "job 3", BIN, ENGINE)]
        assert told(acts) == [(4, ("job 2",))]
        assert told([*acts, undo(5, moved)]) == [(4, ("job 1", "job 2"))]

    def test_so_with_a_fit(self):
        acts = [self.PULLED, self.FIT, move(3, "job 3", ENGINE, BIN), move(4, "job 4", BIN, ENGINE)]
        assert told([*acts, undo(5, self.FIT)]) == [(4, ("job 1", "job 3"))]

    def test_a_measuring_that_was_reversed(self):
        found = act(2, None, step(BIN, -1), step(BIN, 1, 2_600_000))
        acts = [self.PULLED, found, undo(3, found), move(4, "job 2", BIN, ENGINE)]
        assert told(acts) == [(4, ("job 1",))]


class TestCountsAndRegrades:
    def test_what_is_found_may_be_what_was_missed(self):
        acts = [
            move(1, "job 1", ENGINE, BIN),
            move(2, None, BIN, DIFFERENCE),
            move(3, None, DIFFERENCE, BIN),
            move(4, "job 2", BIN, ENGINE),
        ]
        assert told(acts) == [(4, (None, "job 1"))]

    def test_so_it_may_where_a_find_was_reversed_that_took_another(self):
        found, pulled = move(1, None, DIFFERENCE, BIN), move(2, "job 1", ENGINE, BIN)
        acts = [found, pulled, undo(3, pulled), undo(4, found), move(5, None, DIFFERENCE, BIN)]
        assert told([*acts, move(6, "job 2", BIN, ENGINE)]) == [(6, (None, "job 1"))]

    def test_a_shim_of_another_family_is_still_that_shim(self):
        over = act(
            2,
            None,
            step(BIN, -1),
            step(DIFFERENCE, 1),
            step(DIFFERENCE, -1, 2_600_000, family="disc25"),
            step(BIN, 1, 2_600_000, family="disc25"),
            regrades=True,
        )
        into = act(
            9, "job 2", step(BIN, -1, 2_600_000, family="disc25"), step(ENGINE, 1, 2_600_000, family="disc25")
        )
        pulled = move(1, "job 1", ENGINE, BIN)
        assert told([pulled, over, into]) == [(9, ("job 1",))]
        assert told([pulled, over, undo(3, over), move(9, "job 2", BIN, ENGINE)]) == [(9, ("job 1",))]

    def test_a_shim_that_was_taken_for_new_for_a_while(self):
        """New ones are not traced: which of them is used again nobody can tell."""
        as_new = act(2, None, step(BIN, -1), regrades=True)
        as_used = act(3, None, step(BIN, 1), regrades=True)
        pulled, into = move(1, "job 1", ENGINE, BIN), move(4, "job 2", BIN, ENGINE)
        assert told([pulled, as_new, as_used, into]) == [(4, (None, "job 1"))]
        assert told([pulled, as_new, undo(3, as_new), into]) == [(4, (None, "job 1"))]
        assert told([as_used, into]) == [(4, (None,))]


def test_of_very_many_origins_the_last_are_named_and_that_there_are_others():
    most = 10 * MOST_NAMED
    acts = [move(1, "job 0", ENGINE, BIN)]
    for number in range(1, most):
        acts += [
            move(2 * number, f"job {number}", ENGINE, BIN),
            move(2 * number + 1, f"job {number}", BIN, ENGINE),
        ]
    found = journeys(acts)
    assert [journey.or_others for journey in found] == [number > MOST_NAMED for number in range(2, most + 1)]
    last = found[-1]
    assert not last.certain
    assert last.from_job == f"job {most - 2}"
    assert last.could_be == tuple(f"job {most - n}" for n in range(MOST_NAMED, 0, -1))
    # That it may be any is not lost among them.
    found_too = [move(0, None, DIFFERENCE, BIN), *acts]
    assert [journey.could_be[0] for journey in journeys(found_too)] == [None] * len(found)
    # The one that is taken to have left is named, also where it came long before.
    waiting = [move(n, f"job {n}", ENGINE, BIN) for n in range(1, most)]
    (first,) = journeys([*waiting, move(most, "job", BIN, ENGINE)])
    assert (first.from_job, first.could_be[0], len(first.could_be)) == ("job 1", "job 1", MOST_NAMED + 1)


class TestAgainstEveryPossibleWay:
    @pytest.mark.parametrize(
        "moves",
        [
            ["engine bin", "bin away", "away bin", "bin engine"],
            ["engine bin", "bin supplier", "supplier bin", "bin engine"],
            ["engine tray", "difference bin", "bin engine", "tray difference"],
        ],
    )
    def test_the_model_sees_that_what_comes_in_may_have_been_here(self, moves):
        ends = [[(place, NM) for place in move.split()] for move in moves]
        acts = [Done(seq, *both) for seq, both in enumerate(ends, start=1)]
        assert list(possible_origins(acts).values()) == [{"job 1", None}]

    @settings(max_examples=300, deadline=None)
    @given(books())
    def test_every_origin_that_the_books_leave_is_named(self, drawn):
        """`certain` is said only where every way that the shims may have gone gives that engine. None stands
        for any."""
        possible = possible_origins(drawn)
        found = journeys([one.act for one in drawn])
        fits = {one.seq: one.count for one in drawn if one.seq in possible}
        assert Counter(journey.in_seq for journey in found) == fits
        for journey in found:
            truly = possible[journey.in_seq]
            assert None in journey.could_be or truly <= set(journey.could_be)
            assert journey.from_job in journey.could_be
            assert not journey.certain or truly <= {journey.from_job} - {None}

    @settings(deadline=None)
    @given(books(reversals=False))
    def test_and_no_other_where_nothing_was_reversed(self, drawn):
        possible = possible_origins(drawn)
        for journey in journeys([one.act for one in drawn]):
            truly, named = possible[journey.in_seq], set(journey.could_be)
            assert named <= truly
            assert None in named or named == truly
            assert journey.certain == (truly == {journey.from_job} != {None})

    @settings(max_examples=200, deadline=None)
    @given(books(most=25), st.integers(1, 25))
    def test_gone_on_with_it_tells_what_is_told_from_the_beginning(self, drawn, first):
        """Where it cannot, it says so."""
        acts = [one.act for one in drawn]
        tracer = Tracer()
        for some in (acts[:first], acts[first:]):
            try:
                for one in known(some):
                    tracer.follow(one)
            except UnforeseenError:
                assert any(one.reverses is not None and one.reverses <= first for one in some)
                return
            tracer.told()
        assert tracer.told() == journeys(acts)


class TestGoingOn:
    def test_a_list_that_was_told_loses_nothing(self):
        tracer = Tracer()
        pulled, fit = move(1, "job 1", ENGINE, BIN), move(2, "job 2", BIN, ENGINE)
        for one in (pulled, fit):
            tracer.follow(one)
        before = tracer.told()
        tracer.follow(undo(3, fit))
        assert (len(before), tracer.told()) == (1, [])

    def test_what_others_were_told_of_that_shim_meanwhile_is_traced_anew(self):
        tracer = Tracer()
        moved = move(2, None, BIN, TRAY)
        told_before = [move(1, "job 1", ENGINE, BIN), moved, move(3, "job 2", ENGINE, BIN)]
        for one in [*told_before, move(4, "job 3", BIN, ENGINE)]:
            tracer.follow(one)
        with pytest.raises(UnforeseenError):
            tracer.follow(undo(5, moved))

    def test_where_another_came_back_than_was_moved(self):
        moved = move(2, None, BIN, TRAY)
        acts = [
            move(1, "job 1", ENGINE, BIN),
            moved,
            move(3, "job 2", TRAY, ENGINE),
            move(4, "job 3", ENGINE, TRAY),
        ]
        acts += [undo(5, moved), move(6, "job 4", BIN, ENGINE)]
        tracer = Tracer()
        for one in acts:
            tracer.follow(one)
        assert tracer.told() == journeys(acts)

    def test_what_was_done_very_long_before_is_traced_anew(self):
        tracer = Tracer()
        moved = move(2, None, BIN, TRAY)
        for one in (move(1, "job 1", ENGINE, BIN), moved):
            tracer.follow(one)
        for seq in range(3, RECENT + 3):
            tracer.follow(move(seq, "job", ENGINE, BENCH))
        with pytest.raises(UnforeseenError):
            tracer.follow(undo(RECENT + 3, moved))
