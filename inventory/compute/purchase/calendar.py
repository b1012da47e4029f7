"""When an order would be here, and how long a bay waits for it.

Promise
    A supplier sends on working days: weekdays that are not holidays. An order placed on a working day before
    the cut-off hour counts from that day, any other from the next working day; it is here so many working
    days later, at the hour at which deliveries come. A bay waits only while the shop is open. All times given
    are aware; days and hours are those of the time zone named.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from fractions import Fraction
from functools import lru_cache

MONDAY_TO_FRIDAY = frozenset(range(5))
MOST_LEAD_DAYS = 250
_SEARCHED_DAYS = 3 * 366
"""Lead time and holidays together; a calendar without a working day in three years is a slip."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeadTime:
    """How long a supplier takes."""

    working_days: int
    cut_off: time | None = None
    """Orders at this hour or later count from the next working day; None: the whole day counts."""
    holidays: frozenset[date] = frozenset()
    weekdays: frozenset[int] = MONDAY_TO_FRIDAY
    """Monday is 0."""
    comes_at: time = time(12)
    """When in the day deliveries come."""
    zone: tzinfo = UTC

    def __post_init__(self) -> None:
        if not 0 <= self.working_days <= MOST_LEAD_DAYS:
            raise ValueError(f"a lead time is 0 to {MOST_LEAD_DAYS} working days")
        if not self.weekdays <= frozenset(range(7)) or not self.weekdays:
            raise ValueError("a supplier works on at least one day of the week")


def arrival(lead: LeadTime, ordered_at: datetime) -> datetime:
    """When what is ordered at this time is here. Raises ValueError when holidays leave no working day."""
    local = ordered_at.astimezone(lead.zone)
    first = local.date()
    if lead.cut_off is not None and local.time() >= lead.cut_off:
        first += timedelta(days=1)
    days = _working_days(lead, first)
    for _ in range(lead.working_days):
        next(days)
    here = datetime.combine(next(days), lead.comes_at, tzinfo=lead.zone)
    return here if here > ordered_at else datetime.combine(next(days), lead.comes_at, tzinfo=lead.zone)


def days_taken(lead: LeadTime, ordered_at: datetime, came_at: datetime) -> int:
    """How many working days lay between an order and the day on which it came, counted as `arrival` counts
    them; 0 for what came before the first could end."""
    local = ordered_at.astimezone(lead.zone)
    first = local.date()
    if lead.cut_off is not None and local.time() >= lead.cut_off:
        first += timedelta(days=1)
    came = min(came_at.astimezone(lead.zone).date(), first + timedelta(days=_SEARCHED_DAYS - 1))
    taken = 0
    for day in _working_days(lead, first):
        if day >= came:
            break
        taken += 1
    return taken


def _working_days(lead: LeadTime, first: date) -> Iterator[date]:
    for offset in range(_SEARCHED_DAYS):
        day = first + timedelta(days=offset)
        if day.weekday() in lead.weekdays and day not in lead.holidays:
            yield day
    raise ValueError("the supplier's holidays leave no working day within three years")


@dataclass(frozen=True, slots=True, kw_only=True)
class OpeningHours:
    """When the shop works."""

    opens: time = time(8)
    closes: time = time(17)
    weekdays: frozenset[int] = MONDAY_TO_FRIDAY
    holidays: frozenset[date] = field(default_factory=frozenset)
    zone: tzinfo = UTC

    def __post_init__(self) -> None:
        if self.opens >= self.closes:
            raise ValueError("the shop closes after it opens")


@lru_cache(maxsize=20_000)
def open_hours(hours: OpeningHours, start: datetime, end: datetime) -> Fraction:
    """The hours between two times in which the shop is open, exact to the second; 0 when end is not later."""
    seconds = 0
    day, last = start.astimezone(hours.zone).date(), end.astimezone(hours.zone).date()
    while day <= last:
        if day.weekday() in hours.weekdays and day not in hours.holidays:
            opens = datetime.combine(day, hours.opens, tzinfo=hours.zone)
            closes = datetime.combine(day, hours.closes, tzinfo=hours.zone)
            shared = min(end, closes).astimezone(UTC) - max(start, opens).astimezone(UTC)
            seconds += max(0, int(shared.total_seconds()))
        day += timedelta(days=1)
    return Fraction(seconds, 3600)
