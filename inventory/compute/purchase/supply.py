"""What is on offer today, what each need could be served with, and the needs that nothing serves."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from typing import NamedTuple

from inventory.compute.purchase.calendar import open_hours
from inventory.compute.purchase.types import Offered, Problem, Reason, Size, Terms, Wanted


class Shelf(NamedTuple):
    """Shims that are alike to every need: of one supplier and size, here at one time."""

    supplier: str
    size: Size
    arrives: datetime


@dataclass(frozen=True, slots=True)
class Supply:
    """The offers that count."""

    terms: Mapping[str, Terms]
    rates: Mapping[str, Fraction]
    """By supplier: what one unit of its currency is in the shop's."""
    offers: tuple[Offered, ...]
    """Valid on the day, in a currency with a rate, not locked out; in the order of the problem."""
    shelves: Mapping[Shelf, tuple[Offered, ...]]
    by_size: Mapping[Size, tuple[Shelf, ...]]

    def shelves_for(self, need: Wanted) -> list[Shelf]:
        return [shelf for nm in need.sizes_nm for shelf in self.by_size.get(Size(need.family, nm), ())]


def supply_of(problem: Problem) -> Supply:
    terms = {each.key: each for each in problem.suppliers}
    rates = {key: rate for key, each in terms.items() if (rate := problem.rate(each.currency)) is not None}
    offers = tuple(
        offer
        for offer in problem.offers
        if valid(offer, problem) and offer.supplier in rates and problem.locks.get(offer.key) != 0
    )
    shelves: dict[Shelf, list[Offered]] = defaultdict(list)
    for offer in offers:
        shelves[shelf_of(offer)].append(offer)
    by_size: dict[Size, list[Shelf]] = defaultdict(list)
    for shelf in sorted(shelves):
        by_size[shelf.size].append(shelf)
    return Supply(
        terms=terms,
        rates=rates,
        offers=offers,
        shelves={shelf: tuple(found) for shelf, found in shelves.items()},
        by_size={size: tuple(found) for size, found in by_size.items()},
    )


def shelf_of(offer: Offered) -> Shelf:
    return Shelf(offer.supplier, offer.size, offer.arrives)


def valid(offer: Offered, problem: Problem) -> bool:
    """Whether the offer stands on the day of the order."""
    started = offer.valid_from is None or offer.valid_from <= problem.on
    return started and (offer.valid_to is None or problem.on <= offer.valid_to)


def why_not(need: Wanted, problem: Problem, supply: Supply) -> Reason | None:
    """Why nothing that is on offer serves a need; None when something does."""
    if supply.shelves_for(need):
        return None
    if not need.sizes_nm:
        return "not_made"
    sizes = {Size(need.family, nm) for nm in need.sizes_nm}
    sold = [offer for offer in problem.offers if offer.size in sizes]
    if not sold:
        return "not_sold"
    today = [offer for offer in sold if valid(offer, problem)]
    if not today:
        return "not_valid"
    return "locked_out" if any(offer.supplier in supply.rates for offer in today) else "no_rate"


def hours_late(need: Wanted, arrives: datetime, problem: Problem) -> Fraction:
    """How long the need's bay waits for something that is here then; 0 where no bay waits."""
    if need.job is None or need.needed_by is None:
        return Fraction(0)
    return open_hours(problem.hours, need.needed_by, arrives)


def hour_cost(job: str, problem: Problem) -> Fraction:
    """What an hour costs in which the job's bay waits."""
    return Fraction(problem.bay_hour) * problem.weights.get(job, 1)
