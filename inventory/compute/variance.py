"""What counts of a bin come to: the difference of each lot from the books, and what it is worth.

Promise
    A lot's difference is what was counted less what the books said at the moment of looking. While somebody
    counts, the floor works on: the books' figures over the time of counting are all passed in, and each of
    them gives a possible difference. Whoever counted right, the true difference is among them.
    A count in which nothing but 0 is possible in every lot agrees with the books, whoever counted before.
    Otherwise two counts by different persons are laid side by side: what is possible in both must be one
    figure in every lot. Then that is what it comes to, and where it is not 0 two persons found it; else
    somebody else counts again. So a movement meanwhile never becomes a difference, nor hides one.
    Money is rounded once, where a lot's amount is formed (money.py): lots add up to what they come to.
"""

from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum

from inventory.compute.money import line_amount


class Finding(StrEnum):
    """What the counts of one bin come to."""

    AGREES = "agrees"
    COUNT_AGAIN = "count_again"
    DIFFERS = "differs"


@dataclass(frozen=True, slots=True, kw_only=True)
class Tallied:
    """One person's count of one bin: by lot the differences that are possible, never none of them."""

    person: Hashable
    possible: Mapping[Hashable, frozenset[int]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Conclusion:
    """What the counts come to; `differences` by lot, without those of 0, where they differ."""

    finding: Finding
    differences: Mapping[Hashable, int] = field(default_factory=dict)


_NONE = frozenset({0})


def possible_differences(counted: int, books: Iterable[int]) -> frozenset[int]:
    """Counted less each of the figures that the books had while counting went on."""
    return frozenset(counted - figure for figure in books)


def conclude(tallies: Sequence[Tallied]) -> Conclusion:
    """What the counts come to, the oldest first. Raises ValueError when there is none."""
    if not tallies:
        raise ValueError("nobody has counted yet")
    last = tallies[-1]
    if all(differences == _NONE for differences in last.possible.values()):
        return Conclusion(finding=Finding.AGREES)
    for earlier in reversed(tallies[:-1]):
        if earlier.person == last.person:
            continue
        found = _side_by_side(earlier, last)
        if found is None:
            continue
        differences = {lot: amount for lot, amount in found.items() if amount}
        return Conclusion(finding=Finding.DIFFERS if differences else Finding.AGREES, differences=differences)
    return Conclusion(finding=Finding.COUNT_AGAIN)


def _side_by_side(first: Tallied, second: Tallied) -> dict[Hashable, int] | None:
    """The one difference that is possible in both, by lot; None where in some lot there is none or several.

    A lot that one of them says nothing of was neither there nor expected: no difference.
    """
    found = {}
    for lot in {*first.possible, *second.possible}:
        both = first.possible.get(lot, _NONE) & second.possible.get(lot, _NONE)
        if len(both) != 1:
            return None
        (found[lot],) = both
    return found


def unit_value(
    *, cheapest_offer: Decimal | None, family_value: Decimal | None, new: bool, used_share: Decimal
) -> Decimal | None:
    """What one shim is worth: the cheapest price at which it can be had, else the family's own value, and of
    that a share when it is used; None where neither is known."""
    price = family_value if cheapest_offer is None else cheapest_offer
    if price is None:
        return None
    return price if new else price * used_share


def lot_value(difference: int, value: Decimal, currency: str) -> Decimal:
    """What a difference of so many is worth at so much each: below zero where they are missing."""
    return line_amount(value, difference, currency)


def gross_value(lots: Iterable[tuple[int, Decimal | None]], currency: str) -> Decimal | None:
    """What all differences are worth together, gains and losses alike: they do not cancel, since two errors
    are not none. None as soon as the value of one that differs is not known."""
    total = Decimal(0)
    for amount, value in lots:
        if amount:
            if value is None:
                return None
            total += lot_value(abs(amount), value, currency)
    return total


def needs_approval(gross: Decimal | None, limit: Decimal) -> bool:
    """Whether a manager must see the count: it is worth more than the limit, or nobody knows what."""
    return gross is None or gross > limit
