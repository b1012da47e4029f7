"""What completing a job counts in the first rank of the shop plan.

Promise
    Whole numbers from 1 on, so that the rank is exact. A job of higher priority counts more than one of the
    same promise, and one promised sooner more than one of the same priority. The figures themselves are
    common practice, no source: an engine promised for today weighs as much as four that nobody waits for.
"""

from datetime import timedelta

MOST_PRIORITY = 9
_TODAY, _SOON = timedelta(hours=24), timedelta(hours=72)


def job_weight(*, priority: int = 0, promised_in: timedelta | None = None) -> int:
    """The weight of a job with this priority, 0 to 9, promised in so long; None when nobody promised.

    Raises ValueError for another priority.
    """
    if not 0 <= priority <= MOST_PRIORITY:
        raise ValueError(f"a priority is from 0 to {MOST_PRIORITY}")
    return (1 + priority) * _urgency(promised_in)


def _urgency(promised_in: timedelta | None) -> int:
    if promised_in is None or promised_in > _SOON:
        return 1
    return 4 if promised_in <= _TODAY else 2
