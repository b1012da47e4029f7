"""Ways to serve a need that no best choice takes, left out beforehand.

A job for which everything can be here within some wait never waits longer at best where that would cost more
than ordering each of its needs once more for itself: prices do not rise with packs, so what is ordered beside
what is there already costs no more than alone, and what it replaces is left over at worst.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from decimal import Decimal
from fractions import Fraction

from inventory.compute.purchase.pricing import goods, packs_for, packs_worth
from inventory.compute.purchase.supply import Shelf, Supply, hour_cost, hours_late
from inventory.compute.purchase.types import Problem, Wanted


def hopeful(problem: Problem, supply: Supply, needs: Sequence[Wanted]) -> Mapping[str, tuple[Shelf, ...]]:
    """Need -> the shelves from which it may be served in a best choice; never empty."""
    found = {need.key: tuple(supply.shelves_for(need)) for need in needs}
    by_job: dict[str, list[Wanted]] = defaultdict(list)
    for need in needs:
        if need.job is not None and need.needed_by is not None and hour_cost(need.job, problem):
            by_job[need.job].append(need)
    for job, waiting in by_job.items():
        late = {
            need.key: {shelf: hours_late(need, shelf.arrives, problem) for shelf in found[need.key]}
            for need in waiting
        }
        least = max(min(late[need.key].values()) for need in waiting)
        costs = [
            _alone(
                need, [shelf for shelf, hours in late[need.key].items() if hours <= least], problem, supply
            )
            for need in waiting
        ]
        if any(cost is None for cost in costs):
            continue
        longest = least + sum((cost for cost in costs if cost is not None), Fraction(0)) / hour_cost(
            job, problem
        )
        for need in waiting:
            found[need.key] = tuple(shelf for shelf in found[need.key] if late[need.key][shelf] <= longest)
    return found


def _alone(need: Wanted, shelves: Sequence[Shelf], problem: Problem, supply: Supply) -> Fraction | None:
    """The least for which a need is served from one of these shelves by an order more; None where all that
    stands on them is locked.
    """
    costs = []
    for shelf in shelves:
        terms, rate = supply.terms[shelf.supplier], supply.rates[shelf.supplier]
        other = 0 if need.preferred_nm in (None, shelf.size.nm) else need.quantity
        for offer in supply.shelves[shelf]:
            if offer.key not in problem.locks:
                packs = max(
                    packs_for(offer, need.quantity),
                    packs_for(offer, terms.minimum_pieces),
                    packs_worth(offer, terms.minimum_value),
                )
                cost = Fraction(goods(offer, packs) + Decimal(terms.delivery_fee)) * rate
                costs.append(cost + other * Fraction(problem.other_size))
    return min(costs, default=None)
