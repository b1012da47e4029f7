"""What a count says: the difference of each lot from the books, whether it stands, and what it is worth.

Promise
    A lot's difference is what was counted less what the books said at the moment of counting. While somebody
    counts, the floor works on: the books' figures over the time of counting are all passed in. A count that
    equals any of them has no difference; one that equals none, of a lot that moved meanwhile, says nothing
    and is to be done again; so a difference is only ever taken of a lot that stood still.
    A count without differences agrees with the books. A difference stands once two persons found the same
    differences in every lot; until then somebody else counts again.
    Money is exact; nothing is rounded here.
"""

from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum


class Finding(StrEnum):
    """What the counts of one bin come to."""

    AGREES = "agrees"
    COUNT_AGAIN = "count_again"
    DIFFERS = "differs"


@dataclass(frozen=True, slots=True, kw_only=True)
class Tallied:
    """One person's count of one bin: by lot the difference, None where it says nothing."""

    person: Hashable
    differences: Mapping[Hashable, int | None]


def difference(counted: int, books: Sequence[int]) -> int | None:
    """Counted less what the books said; None where the lot moved meanwhile and the count fits no moment.

    `books`: the balance when counting began and after each movement until it ended; never empty.
    """
    if counted in books:
        return 0
    if any(figure != books[0] for figure in books):
        return None
    return counted - books[0]


def finding(tallies: Sequence[Tallied]) -> Finding:
    """What the counts come to, the oldest first. Raises ValueError when there is none."""
    if not tallies:
        raise ValueError("nobody has counted yet")
    last = tallies[-1]
    if None in last.differences.values():
        return Finding.COUNT_AGAIN
    if not _found(last):
        return Finding.AGREES
    confirmed = any(
        earlier.person != last.person
        and None not in earlier.differences.values()
        and _found(earlier) == _found(last)
        for earlier in tallies[:-1]
    )
    return Finding.DIFFERS if confirmed else Finding.COUNT_AGAIN


def _found(tally: Tallied) -> dict[Hashable, int]:
    return {lot: amount for lot, amount in tally.differences.items() if amount}


def unit_value(
    *, cheapest_offer: Decimal | None, family_value: Decimal | None, new: bool, used_share: Decimal
) -> Decimal | None:
    """What one shim is worth: the cheapest price at which it can be had, else the family's own value, and of
    that a share when it is used; None where neither is known."""
    price = family_value if cheapest_offer is None else cheapest_offer
    if price is None:
        return None
    return price if new else price * used_share


def gross_value(lots: Iterable[tuple[int, Decimal | None]]) -> Decimal | None:
    """What all differences are worth together, gains and losses alike: they do not cancel, since two errors
    are not none. None as soon as the value of one that differs is not known."""
    total = Decimal(0)
    for amount, value in lots:
        if amount:
            if value is None:
                return None
            total += abs(amount) * value
    return total


def needs_approval(gross: Decimal | None, limit: Decimal) -> bool:
    """Whether a manager must see the count: it is worth more than the limit, or nobody knows what."""
    return gross is None or gross > limit
