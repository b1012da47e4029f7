"""From lines of the ledger to the shims that engines took from the drawers, and the time looked back over."""

from collections import defaultdict
from collections.abc import Hashable, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction

from inventory.compute.sizes import FamilyRange, nearest_size

LEAST_DAYS = 28
"""Fewer days say nothing of a year: books that are younger count as old as this."""
WORKING_SHARE = Fraction(5, 7)
DAYS_A_MONTH = Fraction(1461, 48)
WEEKS_BELOW_DAYS = 183
_LAST_DAY_OF_ALL = 28


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """So many shims into a drawer or tray (above zero) or out of it, in the order of the ledger."""

    job: Hashable
    """None: for nobody's job here."""
    at: datetime
    fit: bool
    """Whether they went into an engine; else they were handed out to a job's tray or handed back."""
    tray: bool
    """Whether the place is a tray; else they lay in a drawer or had just come."""
    new: bool
    thickness_nm: int
    quantity: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    size_nm: int
    at: datetime
    quantity: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """The time that is looked back over. `months`: what was asked for; `young`: the books begin later."""

    begin: datetime
    end: datetime
    months: int
    young: bool

    @property
    def days(self) -> int:
        return max((self.end - self.begin).days, LEAST_DAYS)

    @property
    def working_days(self) -> Fraction:
        return self.days * WORKING_SHARE

    @property
    def words(self) -> str:
        """24 months, say; of younger books 9 weeks, from half a year on the months nearest to it."""
        if self.young and self.days < WEEKS_BELOW_DAYS:
            return f"{self.days // 7} weeks"
        months = round(self.days / DAYS_A_MONTH) if self.young else self.months
        return "1 month" if months == 1 else f"{months} months"


def window(at: datetime, months: int, books_begin: datetime | None) -> Window:
    """So many months back from `at`, to the same day of the month or the 28th where that would be later; not
    back beyond the first day of the books."""
    total = at.year * 12 + at.month - 1 - months
    begin = at.replace(year=total // 12, month=total % 12 + 1, day=min(at.day, _LAST_DAY_OF_ALL))
    young = books_begin is None or books_begin > begin
    if young:
        begin = min(books_begin or at, at - timedelta(days=LEAST_DAYS))
    return Window(begin=begin, end=at, months=months, young=young)


def taken(lines: Iterable[Line], family: FamilyRange) -> list[Taken]:
    """What engines took from drawers; the lines are of one family, in the order of the ledger."""
    drawn: dict[tuple[Hashable, int], int] = defaultdict(int)
    found = []
    for line in lines:
        out, lot = -line.quantity, (line.job, line.thickness_nm)
        if not line.fit:
            if not line.new and not line.tray:
                drawn[lot] += out
            continue
        if line.tray and not line.new:
            out = min(out, drawn[lot])
            drawn[lot] -= out
        if out > 0:
            size = nearest_size(family, line.thickness_nm)
            found.append(Taken(size_nm=size, at=line.at, quantity=out))
    return found
