"""From what was taken to what each size is asked for: lent between neighbours, and how unevenly it comes."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from fractions import Fraction

from inventory.compute.demand.taken import Taken, Window

LENT = 2
"""As many shims of a size as this, and half of them count for its neighbours."""
KERNEL = ((-2, Fraction(1, 6)), (-1, Fraction(1, 3)), (1, Fraction(1, 3)), (2, Fraction(1, 6)))
PERIOD = timedelta(days=28)


def smoothed(counts: Sequence[int]) -> list[Fraction]:
    """Shims per size on the grid of steps, thinnest first; the same sum."""
    found = [Fraction(0)] * len(counts)
    for here, count in enumerate(counts):
        lent = Fraction(LENT * count, LENT + count)
        found[here] += count - lent
        for step, share in KERNEL:
            there = here + step if 0 <= here + step < len(counts) else here
            found[there] += lent * share
    return found


def spread(taken: Iterable[Taken], looked_at: Window) -> Fraction:
    """Variance over mean of the counts of about four weeks, all sizes of a family together; at least 1."""
    length = looked_at.end - looked_at.begin
    periods = max(length // PERIOD, 1)
    counts: dict[int, dict[int, int]] = defaultdict(lambda: defaultdict(int))
    for each in taken:
        counts[each.size_nm][_period(each.at, looked_at, periods)] += each.quantity
    total = sum(sum(by_period.values()) for by_period in counts.values())
    if periods < 2 or not total:
        return Fraction(1)
    variances = sum(_variance(list(by_period.values()), periods) for by_period in counts.values())
    return max(Fraction(round(variances * periods / total * 100), 100), Fraction(1))


def _period(at: datetime, looked_at: Window, periods: int) -> int:
    number = (at - looked_at.begin) * periods // (looked_at.end - looked_at.begin)
    return min(max(number, 0), periods - 1)


def _variance(counts: Sequence[int], periods: int) -> Fraction:
    """Of so many periods, in those not listed 0; without bias."""
    squares = sum(count * count for count in counts)
    return (squares - Fraction(sum(counts) ** 2, periods)) / (periods - 1)
