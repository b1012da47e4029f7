"""A choice written down: every figure reckoned anew from the packs and what each need gets, exactly."""

from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction

from inventory.compute.purchase.pricing import delivery, goods, reaches_minimum
from inventory.compute.purchase.supply import Shelf, Supply, hour_cost, hours_late
from inventory.compute.purchase.types import (
    Choice,
    Figures,
    Given,
    Line,
    Order,
    Problem,
    Reason,
    Size,
    Unmet,
    Wait,
)


@dataclass(frozen=True, slots=True)
class Taken:
    """What was decided."""

    packs: Mapping[str, int]
    given: Mapping[tuple[str, Shelf], int]
    """Need and shelf -> shims."""


def make_choice(
    problem: Problem, supply: Supply, taken: Taken, hopeless: Mapping[str, Reason], bound: Fraction | None
) -> Choice:
    """The choice with its figures. `bound` None: nothing is cheaper than this."""
    orders = _orders(problem, supply, taken)
    rate = supply.rates
    got: dict[str, list[tuple[Shelf, int]]] = defaultdict(list)
    for (need, shelf), quantity in taken.given.items():
        got[need].append((shelf, quantity))
    left = _left_over(supply, taken)
    waits = _waits(problem, got)
    other = sum(
        quantity
        for need in problem.wanted
        for shelf, quantity in got[need.key]
        if need.preferred_nm not in (None, shelf.size.nm)
    )
    figures = Figures(
        goods=sum((Fraction(order.goods) * rate[order.supplier] for order in orders), Fraction(0)),
        delivery=sum((Fraction(order.delivery) * rate[order.supplier] for order in orders), Fraction(0)),
        lateness=sum((wait.cost for wait in waits), Fraction(0)),
        other_size=Fraction(problem.other_size) * other,
        credit=sum(
            (
                Fraction(worth)
                for size, count in left.items()
                for worth in problem.worth.get(size, ())[:count]
            ),
            Fraction(0),
        ),
    )
    return Choice(
        orders=orders,
        given=tuple(
            Given(
                need=need.key, supplier=shelf.supplier, size=shelf.size, arrives=shelf.arrives, quantity=count
            )
            for need in problem.wanted
            for shelf, count in sorted(got[need.key])
        ),
        unmet=tuple(_unmet(problem, got, hopeless)),
        waits=waits,
        left_over=left,
        figures=figures,
        bound=figures.total if bound is None else min(bound, figures.total),
    )


def _orders(problem: Problem, supply: Supply, taken: Taken) -> tuple[Order, ...]:
    orders = []
    for terms in problem.suppliers:
        lines = tuple(
            Line(
                offer=offer.key,
                packs=taken.packs[offer.key],
                pieces=taken.packs[offer.key] * offer.pack,
                goods=goods(offer, taken.packs[offer.key]),
                locked=offer.key in problem.locks,
            )
            for offer in supply.offers
            if offer.supplier == terms.key and taken.packs.get(offer.key)
        )
        if lines:
            value = sum((line.goods for line in lines[1:]), lines[0].goods)
            pieces = sum(line.pieces for line in lines)
            orders.append(
                Order(
                    supplier=terms.key,
                    lines=lines,
                    goods=value,
                    delivery=delivery(terms, value),
                    below_minimum=not reaches_minimum(terms, value, pieces),
                )
            )
    return tuple(orders)


def _left_over(supply: Supply, taken: Taken) -> dict[Size, int]:
    left: Counter[Size] = Counter()
    for offer in supply.offers:
        left[offer.size] += offer.pack * taken.packs.get(offer.key, 0)
    for (_, shelf), quantity in taken.given.items():
        left[shelf.size] -= quantity
    return {size: count for size, count in sorted(left.items()) if count}


def _waits(problem: Problem, got: Mapping[str, list[tuple[Shelf, int]]]) -> tuple[Wait, ...]:
    by_job: dict[str, list[tuple[Fraction, datetime, str]]] = defaultdict(list)
    for need in problem.wanted:
        if need.job is not None:
            by_job[need.job] += [
                (hours_late(need, shelf.arrives, problem), shelf.arrives, shelf.supplier)
                for shelf, _ in got.get(need.key, ())
            ]
    waits = []
    for job, comings in by_job.items():
        hours = max((late for late, _, _ in comings), default=Fraction(0))
        if hours:
            last = {supplier for late, _, supplier in comings if late == hours}
            waits.append(
                Wait(
                    job=job, hours=hours, cost=hours * hour_cost(job, problem), suppliers=tuple(sorted(last))
                )
            )
    return tuple(waits)


def _unmet(
    problem: Problem, got: Mapping[str, list[tuple[Shelf, int]]], hopeless: Mapping[str, Reason]
) -> list[Unmet]:
    found = []
    for need in problem.wanted:
        missing = need.quantity - sum(count for _, count in got.get(need.key, ()))
        if missing:
            reason = hopeless.get(need.key, "locked_out")
            found.append(Unmet(need=need.key, quantity=missing, reason=reason))
    return found
