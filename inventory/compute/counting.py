"""Which bins to count today: a rotation in which fast movers and troubled bins come round more often.

Promise
    Bins are sorted by how much goes through them: those that together carry the first 80 % of all lines are
    fast, up to 95 % middle, the rest slow; bins with equally many lines are of the same pace, and a bin
    without any is slow. Each pace has its number of days between counts. A bin is troubled while either of
    its last two counts differed from the books, and then comes round after `troubled_days` at the latest.
    A bin is due once its days have passed since its last count, or since it came into use. Of the bins that
    are due those are named first that have waited longest in proportion to their days, so none is starved.
    The answer does not depend on the order in which bins are passed in.

Common practice, no source: the 80 and 95 % limits of the usual ABC division.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from fractions import Fraction
from itertools import pairwise

_FAST_PERCENT, _MIDDLE_PERCENT = 80, 95
_LOOKED_AT = 2


class Pace(StrEnum):
    """How much goes through a bin."""

    FAST = "fast"
    MIDDLE = "middle"
    SLOW = "slow"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rotation:
    """After how many days a bin is counted again."""

    fast_days: int
    middle_days: int
    slow_days: int
    troubled_days: int

    def __post_init__(self) -> None:
        days = (self.troubled_days, self.fast_days, self.middle_days, self.slow_days)
        if days[0] < 1 or any(first > second for first, second in pairwise(days)):
            raise ValueError(
                "days between counts must be 1 or more and not fall from troubled over fast and middle "
                f"to slow; they are {days}"
            )

    def days(self, pace: Pace, *, troubled: bool) -> int:
        if troubled:
            return self.troubled_days
        return {Pace.FAST: self.fast_days, Pace.MIDDLE: self.middle_days, Pace.SLOW: self.slow_days}[pace]


@dataclass(frozen=True, slots=True, kw_only=True)
class BinRecord:
    """What is known of one bin."""

    code: str
    in_use_since: datetime
    last_counted: datetime | None
    """When it was last counted to the end; None for never."""
    lines: int
    """How many ledger lines touched it in the time that is looked at."""
    differed: Sequence[bool] = ()
    """Whether its counts differed from the books, the newest first."""

    @property
    def troubled(self) -> bool:
        return any(self.differed[:_LOOKED_AT])


@dataclass(frozen=True, slots=True, kw_only=True)
class DueBin:
    """A bin whose turn it is."""

    code: str
    pace: Pace
    troubled: bool
    due_at: datetime
    waited: Fraction
    """The time since its last count over the time between counts; 1 or more."""
    why: str


def paces(bins: Iterable[BinRecord]) -> dict[str, Pace]:
    """The pace of every bin by its code."""
    busiest_first = sorted(bins, key=lambda record: -record.lines)
    total = sum(record.lines for record in busiest_first)
    found: dict[str, Pace] = {}
    busier = 0  # lines of the bins that are busier than this one
    counted = 0
    for index, record in enumerate(busiest_first):
        if index and record.lines < busiest_first[index - 1].lines:
            busier = counted
        if not record.lines or 100 * busier >= _MIDDLE_PERCENT * total:
            found[record.code] = Pace.SLOW
        elif 100 * busier >= _FAST_PERCENT * total:
            found[record.code] = Pace.MIDDLE
        else:
            found[record.code] = Pace.FAST
        counted += record.lines
    return found


def due_bins(bins: Sequence[BinRecord], *, at: datetime, rotation: Rotation, most: int) -> tuple[DueBin, ...]:
    """The bins to count at this time, the most overdue first, `most` of them at the most; () when none is."""
    pace_of = paces(bins)
    due = []
    for record in bins:
        pace = pace_of[record.code]
        between = timedelta(days=rotation.days(pace, troubled=record.troubled))
        since = record.last_counted or record.in_use_since
        if at - since < between:
            continue
        due.append(
            DueBin(
                code=record.code,
                pace=pace,
                troubled=record.troubled,
                due_at=since + between,
                waited=Fraction((at - since) // _TICK, between // _TICK),
                why=_why(record, pace, between.days),
            )
        )
    due.sort(key=lambda entry: (-entry.waited, entry.code))
    return tuple(due[: max(most, 0)])


_TICK = timedelta(microseconds=1)


def _why(record: BinRecord, pace: Pace, days: int) -> str:
    every = "every day" if days == 1 else f"every {days} days"
    if record.troubled:
        return f"one of its last two counts differed: {every}"
    never = ", never counted yet" if record.last_counted is None else ""
    return f"{pace} mover: {every}{never}"
