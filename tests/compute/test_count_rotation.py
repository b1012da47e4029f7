"""The rotation of counts: properties, and a year of it played through."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.compute.counting import BinRecord, Pace, Rotation, due_bins, paces

START = datetime(2026, 1, 5, 6, tzinfo=UTC)
ROTATION = Rotation(troubled_days=14, fast_days=30, middle_days=90, slow_days=180)

records = st.lists(
    st.builds(
        BinRecord,
        code=st.uuids().map(str),
        in_use_since=st.integers(0, 400).map(lambda days: START - timedelta(days=days)),
        last_counted=st.none() | st.integers(0, 400).map(lambda days: START - timedelta(days=days)),
        lines=st.integers(0, 60),
        differed=st.lists(st.booleans(), max_size=4).map(tuple),
    ),
    max_size=25,
    unique_by=lambda record: record.code,
)


@given(records, st.integers(0, 30), st.randoms())
def test_only_what_is_due_most_overdue_first_whatever_the_order(bins, most, random):
    every = due_bins(bins, at=START, rotation=ROTATION, most=len(bins))
    by_code = {record.code: record for record in bins}
    for entry in every:
        record = by_code[entry.code]
        days = ROTATION.days(entry.pace, troubled=record.troubled)
        since = record.last_counted or record.in_use_since
        assert entry.due_at == since + timedelta(days=days) <= START
        assert entry.waited >= 1
    named = {entry.code for entry in every}
    for record in bins:
        if record.code not in named:
            days = ROTATION.days(paces(bins)[record.code], troubled=record.troubled)
            assert START - (record.last_counted or record.in_use_since) < timedelta(days=days)
    assert [entry.waited for entry in every] == sorted((entry.waited for entry in every), reverse=True)
    shuffled = list(bins)
    random.shuffle(shuffled)
    assert due_bins(shuffled, at=START, rotation=ROTATION, most=most) == every[:most]


@given(records)
def test_a_busier_bin_is_never_of_a_slower_pace(bins):
    order = [Pace.SLOW, Pace.MIDDLE, Pace.FAST]
    pace_of = paces(bins)
    for first in bins:
        for second in bins:
            if first.lines >= second.lines:
                assert order.index(pace_of[first.code]) >= order.index(pace_of[second.code])
        assert first.lines or pace_of[first.code] is Pace.SLOW
    if any(record.lines for record in bins):
        assert Pace.FAST in pace_of.values()


@given(records, st.integers(0, 400))
def test_a_troubled_bin_is_due_no_later_than_the_same_bin_untroubled(bins, days):
    at = START + timedelta(days=days)
    calm = [replace(record, differed=()) for record in bins]
    upset = [replace(record, differed=(False, True)) for record in bins]
    named = {entry.code for entry in due_bins(calm, at=at, rotation=ROTATION, most=99)}
    assert named <= {entry.code for entry in due_bins(upset, at=at, rotation=ROTATION, most=99)}


def test_two_counts_that_agree_end_the_trouble():
    record = BinRecord(
        code="A1", in_use_since=START, last_counted=START, lines=0, differed=(False, False, True)
    )
    assert not record.troubled
    assert replace(record, differed=(False, True)).troubled


@pytest.mark.parametrize("days", [(0, 1, 2, 3), (30, 14, 90, 180), (14, 90, 30, 180)])
def test_days_that_make_no_rotation_are_refused(days):
    with pytest.raises(ValueError, match="days between counts"):
        Rotation(troubled_days=days[0], fast_days=days[1], middle_days=days[2], slow_days=days[3])


def test_a_year_of_it():
    """60 bins, three a day at most: each comes round in time, fast movers and troubled bins more often."""
    bins = {
        f"B{index:02d}": BinRecord(
            code=f"B{index:02d}",
            in_use_since=START - timedelta(days=index),
            last_counted=None,
            lines=200 if index < 6 else 15 if index < 20 else 1,
            differed=(),
        )
        for index in range(60)
    }
    troubled = {"B30", "B31"}
    counted = {code: [record.in_use_since] for code, record in bins.items()}
    for day in range(720):
        at = START + timedelta(days=day)
        for entry in due_bins(list(bins.values()), at=at, rotation=ROTATION, most=3):
            counted[entry.code].append(at)
            bins[entry.code] = replace(bins[entry.code], last_counted=at, differed=(entry.code in troubled,))
    pace_of = paces(list(bins.values()))
    assert set(pace_of.values()) == set(Pace)
    for code, times in counted.items():
        gaps = [(later - earlier).days for earlier, later in pairwise(times)]
        days = ROTATION.days(pace_of[code], troubled=False)
        # A few days of waiting in the queue beside the rotation's own days.
        assert max(gaps) <= days + 10, (code, gaps)
        # The trouble is known from the first count on.
        assert code not in troubled or max(gaps[1:]) <= ROTATION.troubled_days + 5
    often = {pace: [len(counted[code]) for code in counted if pace_of[code] is pace] for pace in Pace}
    assert min(often[Pace.FAST]) > max(often[Pace.MIDDLE])
    assert min(len(counted[code]) for code in troubled) > max(often[Pace.FAST])
