"""A choice checked against its problem, by means that share no code with what made it."""

from collections import Counter, defaultdict
from datetime import datetime, timedelta
from fractions import Fraction

from inventory.compute.purchase.types import Choice, Offered, Problem

_NEAR = Fraction(1, 10**6)


def verify(problem: Problem, choice: Choice) -> list[str]:
    """What is wrong with a choice, in words; [] when it keeps every rule and its figures are right.

    That no cheaper one exists is not checked here, only that the stated bound is not above the total.
    """
    return [
        *_lines(problem, choice),
        *_needs(problem, choice),
        *_flow(problem, choice),
        *_figures(problem, choice),
    ]


def _price(offer: Offered, packs: int) -> Fraction:
    """Pack by pack, as a person would with the price list in hand."""

    def price_of(number: int) -> Fraction:
        price = Fraction(0)
        for from_packs, of_pack in offer.breaks:
            if number >= from_packs:
                price = Fraction(of_pack)
        return price

    if offer.incremental:
        return sum((price_of(number) for number in range(1, packs + 1)), Fraction(0))
    return packs * price_of(packs)


def _lines(problem: Problem, choice: Choice) -> list[str]:
    faults = []
    offers = {offer.key: offer for offer in problem.offers}
    terms = {each.key: each for each in problem.suppliers}
    packs = {line.offer: line.packs for order in choice.orders for line in order.lines}
    if sum(len(order.lines) for order in choice.orders) > len(packs):
        faults.append("an offer stands on two lines")
    for key, locked in problem.locks.items():
        offer = offers[key]
        if packs.get(key, 0) != locked and _open(problem, offer):
            faults.append(f"the locked line {key} has {packs.get(key, 0)} packs, not {locked}")
    for order in choice.orders:
        supplier = terms[order.supplier]
        value = Fraction(0)
        for line in order.lines:
            offer = offers[line.offer]
            if offer.supplier != order.supplier or line.packs < 1 or line.pieces != line.packs * offer.pack:
                faults.append(f"the line {line.offer} does not hold what it says")
            if not _open(problem, offer):
                faults.append(f"{line.offer} is not on offer that day")
            if Fraction(line.goods) != _price(offer, line.packs):
                faults.append(f"the line {line.offer} is priced wrongly")
            value += _price(offer, line.packs)
        pieces = sum(line.pieces for line in order.lines)
        below = value < Fraction(supplier.minimum_value) or pieces < supplier.minimum_pieces
        all_locked = all(
            offer.key in problem.locks
            for offer in problem.offers
            if offer.supplier == order.supplier and _open(problem, offer)
        )
        if below != order.below_minimum or (below and not all_locked):
            faults.append(f"the order to {order.supplier} is below its minimum, or wrongly said to be")
        free = supplier.free_from is not None and value >= Fraction(supplier.free_from)
        if Fraction(order.goods) != value or order.delivery != (0 if free else supplier.delivery_fee):
            faults.append(f"the order to {order.supplier} adds up wrongly")
    return faults


def _open(problem: Problem, offer: Offered) -> bool:
    if offer.valid_from is not None and problem.on < offer.valid_from:
        return False
    if offer.valid_to is not None and problem.on > offer.valid_to:
        return False
    currency = next(each.currency for each in problem.suppliers if each.key == offer.supplier)
    return currency == problem.currency or problem.rates.get(currency, 0) > 0


def _needs(problem: Problem, choice: Choice) -> list[str]:
    faults = []
    needs = {need.key: need for need in problem.wanted}
    got: Counter[str] = Counter()
    for given in choice.given:
        need = needs[given.need]
        if given.quantity < 1 or given.size.family != need.family or given.size.nm not in need.sizes_nm:
            faults.append(f"{given.need} gets a shim that would not do")
        got[given.need] += given.quantity
    missing = {unmet.need: unmet for unmet in choice.unmet}
    for need in problem.wanted:
        short = need.quantity - got[need.key]
        said = missing[need.key].quantity if need.key in missing else 0
        if short != said:
            faults.append(
                f"{need.key} gets {got[need.key]} of {need.quantity}, and {said} are said to be missing"
            )
        if said and missing[need.key].reason != "locked_out":
            sold = [
                offer
                for offer in problem.offers
                if offer.size.family == need.family and offer.size.nm in need.sizes_nm
            ]
            if any(_open(problem, offer) for offer in sold):
                faults.append(f"{need.key} could be bought, but is said to be {missing[need.key].reason}")
        if said and missing[need.key].reason == "locked_out" and not problem.locks:
            faults.append(f"{need.key} is said to be locked out, but nothing is locked")
    return faults


def _flow(problem: Problem, choice: Choice) -> list[str]:
    """Nothing is given that does not come, and what is not given is left over."""
    offers = {offer.key: offer for offer in problem.offers}
    comes: Counter[tuple[object, ...]] = Counter()
    left: Counter[object] = Counter()
    for order in choice.orders:
        for line in order.lines:
            offer = offers[line.offer]
            comes[offer.supplier, offer.size, offer.arrives] += line.packs * offer.pack
            left[offer.size] += line.packs * offer.pack
    for given in choice.given:
        comes[given.supplier, given.size, given.arrives] -= given.quantity
        left[given.size] -= given.quantity
    faults = [f"more is given than comes of {key}" for key, count in comes.items() if count < 0]
    if {size: count for size, count in left.items() if count} != dict(choice.left_over):
        faults.append("what is left over is said wrongly")
    return faults


def _figures(problem: Problem, choice: Choice) -> list[str]:
    currency = {each.key: each.currency for each in problem.suppliers}

    def in_ours(supplier: str, amount: Fraction) -> Fraction:
        code = currency[supplier]
        return amount if code == problem.currency else amount * Fraction(problem.rates[code])

    needs = {need.key: need for need in problem.wanted}
    late: dict[str, Fraction] = defaultdict(Fraction)
    other = Fraction(0)
    for given in choice.given:
        need = needs[given.need]
        if need.preferred_nm is not None and need.preferred_nm != given.size.nm:
            other += Fraction(problem.other_size) * given.quantity
        if need.job is not None and need.needed_by is not None:
            late[need.job] = max(late[need.job], _waiting(problem, need.needed_by, given.arrives))
    lateness = {
        job: hours * Fraction(problem.bay_hour) * problem.weights.get(job, 1)
        for job, hours in late.items()
        if hours
    }
    credit = Fraction(0)
    for size, count in choice.left_over.items():
        worth = problem.worth.get(size, ())
        credit += sum((Fraction(worth[number]) for number in range(min(count, len(worth)))), Fraction(0))
    said = choice.figures
    right = {
        "goods": sum(
            (in_ours(order.supplier, Fraction(order.goods)) for order in choice.orders), Fraction(0)
        ),
        "delivery": sum(
            (in_ours(order.supplier, Fraction(order.delivery)) for order in choice.orders), Fraction(0)
        ),
        "lateness": sum(lateness.values(), Fraction(0)),
        "other_size": other,
        "credit": credit,
    }
    faults = [
        f"{name} is {float(getattr(said, name))}, not {float(figure)}"
        for name, figure in right.items()
        if getattr(said, name) != figure
    ]
    if {wait.job: (wait.hours, wait.cost) for wait in choice.waits} != {
        job: (late[job], cost) for job, cost in lateness.items()
    } and problem.bay_hour:
        faults.append("a wait is said wrongly")
    if choice.bound > said.total + _NEAR * max(abs(said.total), Fraction(1)):
        faults.append("the bound is above the total")
    return faults


def _waiting(problem: Problem, since: datetime, until: datetime) -> Fraction:
    """Hours in which the shop is open, counted by half days so that no day is taken for another."""
    hours = problem.hours
    seconds = 0.0
    day = since.astimezone(hours.zone).replace(hour=0, minute=0, second=0, microsecond=0) - timedelta(days=1)
    while day < until + timedelta(days=1):
        if day.weekday() in hours.weekdays and day.date() not in hours.holidays:
            start = day.replace(hour=hours.opens.hour, minute=hours.opens.minute, second=hours.opens.second)
            end = day.replace(hour=hours.closes.hour, minute=hours.closes.minute, second=hours.closes.second)
            shared = min(end.timestamp(), until.timestamp()) - max(start.timestamp(), since.timestamp())
            seconds += max(0.0, shared)
        day += timedelta(days=1)
    return Fraction(int(seconds), 3600)
