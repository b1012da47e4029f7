"""Mean and spread of a bin against fractions, and the age of what a place still holds against a queue."""

from collections import deque
from datetime import UTC, datetime, timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.compute.ageing import oldest_left
from inventory.compute.spread import mean_and_spread

START = datetime(2026, 3, 2, tzinfo=UTC)
lots = st.lists(st.tuples(st.integers(500_000, 10_000_000), st.integers(0, 50)), max_size=20)


@given(lots)
def test_mean_and_spread_are_those_of_every_single_shim(lots):
    shims = [nm for nm, quantity in lots for _ in range(quantity)]
    found = mean_and_spread(lots)
    if not shims:
        assert found is None
        return
    assert found.count == len(shims)
    assert found.mean_nm == round(Fraction(sum(shims), len(shims)))  # round() on a Fraction: half to even
    assert (found.thinnest_nm, found.thickest_nm) == (min(shims), max(shims))
    assert found.spread_nm == max(shims) - min(shims)


def test_a_lot_of_less_than_nothing_is_refused():
    with pytest.raises(ValueError, match="-1 shims"):
        mean_and_spread([(2_625_000, -1)])


@given(st.lists(st.integers(-5, 5).filter(bool), max_size=40))
def test_the_oldest_left_is_the_head_of_a_queue(steps):
    queue: deque[datetime] = deque()
    arrivals = []
    for index, step in enumerate(steps):
        at = START + timedelta(hours=index)
        if step > 0:
            queue.extend([at] * step)
            arrivals.insert(0, (at, step))
        else:
            for _ in range(min(-step, len(queue))):
                queue.popleft()
    assert oldest_left(len(queue), arrivals) == (queue[0] if queue else None)


def test_books_that_begin_too_late_have_no_age():
    assert oldest_left(3, [(START, 2)]) is None
