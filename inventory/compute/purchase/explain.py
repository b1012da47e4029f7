"""A choice in plain words: what it saves, why each line is bought where it is, who waits for what."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction

from inventory.compute.lengths import show
from inventory.compute.money import show_money
from inventory.compute.purchase.greedy import each_alone
from inventory.compute.purchase.pricing import goods, packs_for
from inventory.compute.purchase.supply import Supply, hour_cost, hours_late, supply_of
from inventory.compute.purchase.types import Choice, Line, Offered, Problem, Reason, Wanted


@dataclass(frozen=True, slots=True, kw_only=True)
class Explained:
    """Sentences for people; amounts in the shop's currency."""

    alone: Fraction
    """What the needs that are served would cost with an order for each."""
    saves: Fraction
    lines: Mapping[str, str]
    """Offer -> why it is bought there."""
    waits: tuple[str, ...]
    unmet: Mapping[str, str]
    """Need -> why it cannot be bought."""
    proof: str


def explain(
    problem: Problem, choice: Choice, names: Mapping[str, str], jobs: Mapping[str, str] | None = None
) -> Explained:
    """`names`: what suppliers are called; `jobs`: what jobs are called, their keys where left out."""
    supply = supply_of(problem)
    alone = each_alone(problem)
    lines = [line for order in choice.orders for line in order.lines]
    offers = {offer.key: offer for offer in supply.offers}
    needs = {need.key: need for need in problem.wanted}
    return Explained(
        alone=alone,
        saves=alone - choice.figures.total,
        lines={line.offer: _why(line, offers[line.offer], problem, choice, supply, names) for line in lines},
        waits=tuple(_waits(problem, choice, names, jobs or {})),
        unmet={unmet.need: _why_not(unmet.reason, needs[unmet.need]) for unmet in choice.unmet},
        proof=_proof(problem, choice),
    )


def _why(
    line: Line,
    offer: Offered,
    problem: Problem,
    choice: Choice,
    supply: Supply,
    names: Mapping[str, str],
) -> str:
    if line.locked:
        return "This line is locked and stays as it is."
    code = problem.currency
    mine = Fraction(line.goods) * supply.rates[offer.supplier]
    others = [
        (Fraction(goods(other, packs_for(other, line.pieces))) * supply.rates[other.supplier], other)
        for other in supply.offers
        if other.size == offer.size and other.supplier != offer.supplier
    ]
    if not others:
        return "Nobody else sells this size today."
    theirs, other = min(others, key=lambda pair: (pair[0], pair[1].key))
    them = names[other.supplier]
    if theirs >= mine:
        return (
            f"Cheapest for {line.pieces}: {show_money(mine, code)}; the next, {them}, asks"
            f" {show_money(theirs, code)}."
        )
    asks = f"{them} asks less, {show_money(theirs, code)} instead of {show_money(mine, code)}"
    longer = _longer(problem, choice, offer, other)
    if longer:
        return f"{asks}, but comes later, and that would cost {show_money(longer, code)} in waiting bays."
    if other.supplier not in {order.supplier for order in choice.orders}:
        fee = Fraction(supply.terms[other.supplier].delivery_fee) * supply.rates[other.supplier]
        if fee > 0:
            return f"{asks}, but a delivery from there costs {show_money(fee, code)}."
        return f"{asks}, but nothing else is ordered there, and its order would be too small."
    return f"{asks}, but all lines together are cheaper so: packs, minimum order and delivery count."


def _longer(problem: Problem, choice: Choice, offer: Offered, other: Offered) -> Fraction:
    """What it would cost if the jobs that are given something of this line waited for the other offer."""
    needs = {need.key: need for need in problem.wanted}
    already = {wait.job: wait.hours for wait in choice.waits}
    longer: dict[str, Fraction] = {}
    for given in choice.given:
        need = needs[given.need]
        mine = (given.supplier, given.size, given.arrives) == (offer.supplier, offer.size, offer.arrives)
        if mine and need.job is not None:
            more = hours_late(need, other.arrives, problem) - already.get(need.job, Fraction(0))
            longer[need.job] = max(more, longer.get(need.job, Fraction(0)))
    return sum((hours * hour_cost(job, problem) for job, hours in longer.items()), Fraction(0))


def _waits(
    problem: Problem, choice: Choice, names: Mapping[str, str], jobs: Mapping[str, str]
) -> Iterable[str]:
    for wait in choice.waits:
        called = jobs.get(wait.job, wait.job)
        whom = " and ".join(names[supplier] for supplier in wait.suppliers)
        yield (
            f"{called} waits {float(wait.hours):.1f} opening hours for what comes from {whom}:"
            f" {show_money(wait.cost, problem.currency)}."
        )


def _why_not(reason: Reason, need: Wanted) -> str:
    sizes = " or ".join(show(nm) for nm in need.sizes_nm[:6]) + (" …" if len(need.sizes_nm) > 6 else "")
    return {
        "not_made": "No supplier makes a size that would do.",
        "not_sold": f"Nobody sells {sizes} mm.",
        "not_valid": f"Every offer of {sizes} mm is past its last day, or not yet valid.",
        "no_rate": f"{sizes} mm is only sold in a currency for which no rate is keyed in.",
        "locked_out": f"The locked lines leave no {sizes} mm for it.",
    }[reason]


def _proof(problem: Problem, choice: Choice) -> str:
    if choice.proven:
        return "No cheaper way exists; this is proven."
    most = choice.figures.total - choice.bound
    return (
        "The time was up before it was proven that no cheaper way exists; another could save"
        f" {show_money(most, problem.currency)} at most ({float(choice.gap):.2%})."
    )
