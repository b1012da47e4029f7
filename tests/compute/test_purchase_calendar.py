"""When an order is here, and how long a bay waits."""

from datetime import UTC, date, datetime, time
from fractions import Fraction
from zoneinfo import ZoneInfo

import pytest

from inventory.compute.purchase import LeadTime, OpeningHours, arrival, open_hours


def at(day, hour, minute=0, zone=UTC):
    return datetime(2026, 3, day, hour, minute, tzinfo=zone)  # the 2nd is a Monday


@pytest.mark.parametrize(
    ("days", "ordered", "here"),
    [
        (1, at(2, 9), at(3, 12)),
        (1, at(2, 14), at(4, 12)),  # at the cut-off hour counts as tomorrow
        (1, at(2, 13, 59), at(3, 12)),
        (1, at(6, 9), at(9, 12)),  # Friday to Monday
        (2, at(7, 9), at(11, 12)),  # Saturday counts from Monday
        (0, at(2, 9), at(2, 12)),
        (0, at(2, 13), at(3, 12)),  # deliveries of the day are over
        (3, at(3, 9), at(9, 12)),  # the 5th is a holiday
    ],
)
def test_arrival(days, ordered, here):
    holidays = frozenset({date(2026, 3, 5)}) if days == 3 else frozenset()
    assert arrival(LeadTime(working_days=days, cut_off=time(14), holidays=holidays), ordered) == here


def test_hours_of_the_day_are_those_of_the_zone():
    zone = ZoneInfo("Europe/Stockholm")
    lead = LeadTime(working_days=1, cut_off=time(14), zone=zone)
    assert arrival(lead, at(2, 12, 59)) == at(3, 12, zone=zone)
    assert arrival(lead, at(2, 13)) == at(4, 12, zone=zone)
    summer = datetime(2026, 3, 27, 9, tzinfo=UTC)  # the clocks change on the 29th
    assert arrival(lead, summer) == datetime(2026, 3, 30, 10, tzinfo=UTC)


def test_a_calendar_without_a_working_day_is_refused():
    with pytest.raises(ValueError, match="holidays"):
        arrival(
            LeadTime(
                working_days=1, holidays=frozenset(date.fromordinal(n) for n in range(739_000, 742_000))
            ),
            at(2, 9),
        )


@pytest.mark.parametrize(
    ("start", "end", "hours"),
    [
        (at(2, 9), at(2, 11, 30), Fraction(5, 2)),
        (at(2, 16), at(3, 9), 2),
        (at(6, 16), at(9, 9), 2),
        (at(7, 9), at(8, 20), 0),
        (at(2, 6), at(2, 20), 9),
        (at(3, 9), at(2, 9), 0),
    ],
)
def test_open_hours(start, end, hours):
    assert open_hours(OpeningHours(), start, end) == hours
