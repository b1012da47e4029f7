"""What the choice is compared with: the two ways in which shops buy without one."""

from collections import Counter, defaultdict
from decimal import Decimal
from fractions import Fraction

from inventory.compute.purchase.pricing import (
    delivery,
    goods,
    most_packs,
    packs_for,
    packs_worth,
    reaches_minimum,
)
from inventory.compute.purchase.records import Taken, make_choice
from inventory.compute.purchase.supply import (
    Shelf,
    Supply,
    hour_cost,
    hours_late,
    shelf_of,
    supply_of,
    why_not,
)
from inventory.compute.purchase.types import Choice, Offered, Problem, Reason, Wanted


def cheapest_each(problem: Problem) -> Choice:
    """Each need from the supplier that sells it cheapest by the piece; gathered per supplier only then.

    Packs are rounded up; where an order stays below its minimum, more is bought of what it holds already.
    Locked lines are not regarded. `bound` is no proof here: it is nothing less than all the credit there is.
    """
    supply = supply_of(problem)
    pieces: Counter[str] = Counter()
    given: Counter[tuple[str, Shelf]] = Counter()
    hopeless: dict[str, Reason] = {}
    for need in problem.wanted:
        reason = why_not(need, problem, supply)
        if reason is not None:
            hopeless[need.key] = reason
            continue
        offer = min(_offers(need, supply), key=lambda each: (_each(each, supply), each.arrives, each.key))
        pieces[offer.key] += need.quantity
        given[need.key, shelf_of(offer)] += need.quantity
    packs = {offer.key: packs_for(offer, pieces[offer.key]) for offer in supply.offers if pieces[offer.key]}
    _fill_up(packs, supply)
    credit = sum((Fraction(worth) for each in problem.worth.values() for worth in each), Fraction(0))
    return make_choice(problem, supply, Taken(packs, given), hopeless, -credit)


def each_alone(problem: Problem) -> Fraction:
    """What all needs together cost when each is ordered for itself, at its best: one offer, its own packs,
    its own delivery; in the shop's currency, lateness and credit reckoned as for a choice. Needs that cannot
    be bought count nothing.
    """
    supply = supply_of(problem)
    late: dict[str, Fraction] = defaultdict(Fraction)
    cost = Fraction(0)
    for need in problem.wanted:
        ways = [_alone(need, offer, problem, supply) for offer in _offers(need, supply)]
        if not ways:
            continue
        best, hours = min(ways)
        if need.job is not None:
            best -= hours * hour_cost(need.job, problem)
            late[need.job] = max(late[need.job], hours)
        cost += best
    return cost + sum((hours * hour_cost(job, problem) for job, hours in late.items()), Fraction(0))


def _offers(need: Wanted, supply: Supply) -> list[Offered]:
    return [offer for shelf in supply.shelves_for(need) for offer in supply.shelves[shelf]]


def _each(offer: Offered, supply: Supply) -> Fraction:
    return Fraction(offer.breaks[0].price) * supply.rates[offer.supplier] / offer.pack


def _fill_up(packs: dict[str, int], supply: Supply) -> None:
    chosen: dict[str, list[Offered]] = defaultdict(list)
    for offer in supply.offers:
        if offer.key in packs:
            chosen[offer.supplier].append(offer)
    for supplier, offers in chosen.items():
        terms = supply.terms[supplier]
        cheapest = min(offers, key=lambda each: (_each(each, supply), each.key))
        least = packs[cheapest.key]
        most = most_packs(cheapest, terms, least * cheapest.pack) + least

        def enough(count: int, offers: list[Offered] = offers, cheapest: Offered = cheapest) -> bool:
            counts = {**packs, cheapest.key: count}
            value = sum((goods(offer, counts[offer.key]) for offer in offers), Decimal(0))
            of_all = sum(counts[offer.key] * offer.pack for offer in offers)
            return reaches_minimum(supply.terms[offers[0].supplier], value, of_all)

        packs[cheapest.key] = next((count for count in range(least, most + 1) if enough(count)), least)


def _alone(need: Wanted, offer: Offered, problem: Problem, supply: Supply) -> tuple[Fraction, Fraction]:
    """The least that this need costs from this offer, lateness included, and the hours it is late."""
    terms = supply.terms[offer.supplier]
    rate = supply.rates[offer.supplier]
    hours = hours_late(need, offer.arrives, problem)
    fixed = hours * hour_cost(need.job, problem) if need.job is not None else Fraction(0)
    if need.preferred_nm not in (None, offer.size.nm):
        fixed += Fraction(problem.other_size) * need.quantity
    least = packs_for(offer, need.quantity)
    counts = {least, packs_for(offer, terms.minimum_pieces), packs_worth(offer, terms.minimum_value)}
    counts |= {step.from_packs for step in offer.breaks}
    counts |= {packs_worth(offer, terms.free_from or Decimal(0))}
    costs = []
    for packs in counts:
        value = goods(offer, packs)
        if packs < least or not reaches_minimum(terms, value, packs * offer.pack):
            continue
        left = packs * offer.pack - need.quantity
        credit = sum((Fraction(worth) for worth in problem.worth.get(offer.size, ())[:left]), Fraction(0))
        costs.append(Fraction(value + delivery(terms, value)) * rate - credit)
    return min(costs) + fixed, hours
