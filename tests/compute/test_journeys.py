"""Shims traced from engine to engine: told cases, and drawn books in which every shim is followed by name."""

from collections import defaultdict

from hypothesis import given
from hypothesis import strategies as st

from inventory.compute.journeys import Act, Step, journeys

ENGINE, TRAY, BENCH, BIN = "engine", "tray", "bench", "bin"
NM = 2_634_000


def step(place, quantity, nm=NM, condition="used"):
    return Step(lot=(place, nm, condition), quantity=quantity, engine=place == ENGINE)


def move(seq, job, source, target, quantity=1, nm=NM):
    return Act(seq=seq, job=job, steps=[step(source, -quantity, nm), step(target, quantity, nm)])


def test_from_one_engine_over_the_bench_into_another():
    acts = [
        Act(seq=1, job="job 1", steps=[step(ENGINE, -1, 2_650_000, "unmeasured"), step(TRAY, 1, 2_650_000)]),
        Act(seq=2, job="job 1", steps=[step(TRAY, -1, 2_650_000), step(BENCH, 1, 2_650_000, "unmeasured")]),
        Act(seq=3, job=None, steps=[step(BENCH, -1, 2_650_000, "unmeasured"), step(BENCH, 1)]),
        move(4, None, BENCH, BIN),
        move(5, "job 2", BIN, ENGINE),
    ]
    (journey,) = journeys(acts)
    assert (journey.from_job, journey.out_seq, journey.out_nm) == ("job 1", 1, 2_650_000)
    assert (journey.to_job, journey.in_seq, journey.in_nm) == ("job 2", 5, NM)
    assert journey.via == (1, 2, 3, 4)
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


def test_what_was_counted_in_came_from_no_engine():
    (journey,) = journeys([move(1, None, "difference", BIN), move(2, "job 2", BIN, ENGINE)])
    assert (journey.from_job, journey.out_seq, journey.via) == (None, None, (1,))


@st.composite
def books(draw):
    """Acts on single shims that carry a name of their own; the names are the truth to compare with."""
    lots: dict[tuple[str, int], list[str]] = defaultdict(list)
    acts, truth = [], []
    for seq in range(1, draw(st.integers(1, 30))):
        filled = sorted(lot for lot, names in lots.items() if names)
        act = draw(st.sampled_from(["pull", "move", "fit"] if filled else ["pull"]))
        job = f"job {seq}"
        if act == "pull":
            lot = (TRAY, draw(st.sampled_from([1_000_000, 2_000_000])))
            acts.append(move(seq, job, ENGINE, TRAY, nm=lot[1]))
            lots[lot].append(job)
            continue
        place, nm = draw(st.sampled_from(filled))
        name = lots[place, nm].pop(draw(st.integers(0, len(lots[place, nm]) - 1)))
        if act == "fit":
            acts.append(move(seq, job, place, ENGINE, nm=nm))
            truth.append((name, job))
        else:
            target = BIN if place == TRAY else TRAY
            acts.append(move(seq, None, place, target, nm=nm))
            lots[target, nm].append(name)
    return acts, truth


@given(books())
def test_the_true_origin_is_named_whichever_shim_was_really_taken(drawn):
    acts, truth = drawn
    found = journeys(acts)
    assert [journey.to_job for journey in found] == [to_job for _, to_job in truth]
    for journey, (from_job, _) in zip(found, truth, strict=True):
        assert from_job in journey.could_be
        assert journey.from_job in journey.could_be
    assert len({(journey.from_job, journey.in_seq) for journey in found}) == len(found)
