"""Made-up shops that buy, from seeds, and two ways in which the best choice is found otherwise."""

import itertools
import random
from collections import Counter, defaultdict
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

from inventory.compute.purchase import Break, Offered, Problem, Size, Terms, Wanted, open_hours

NOW = datetime(2026, 3, 2, 9, tzinfo=UTC)
"""A Monday."""
STEP = 25_000


def small_problem(seed, *, locked=False, needs=3, offers=4, suppliers=2):
    """Few needs and offers, so that everything can be tried; all rules appear among the seeds."""
    rng = random.Random(seed)
    sizes = [Size("F", 2_500_000 + STEP * k) for k in range(rng.randint(1, 3))]
    terms = tuple(
        Terms(
            key=f"s{k}",
            currency=rng.choice(["EUR", "EUR", "USD"]),
            minimum_value=Decimal(rng.choice([0, 0, 0, 8])),
            minimum_pieces=rng.choice([0, 0, 0, 4]),
            delivery_fee=Decimal(rng.choice([0, 3, 5])),
            free_from=rng.choice([None, None, Decimal(9)]),
        )
        for k in range(rng.randint(1, suppliers))
    )
    offered = tuple(
        _offer(rng, f"o{k}", rng.choice(terms).key, rng.choice(sizes)) for k in range(rng.randint(1, offers))
    )
    wanted = tuple(_need(rng, k, sizes) for k in range(rng.randint(1, needs)))
    cheapest = {
        size: min(
            (step.price / offer.pack for offer in offered if offer.size == size for step in offer.breaks),
            default=Decimal(0),
        )
        for size in sizes
    }
    return Problem(
        on=NOW.date(),
        currency="EUR",
        wanted=wanted,
        suppliers=terms,
        offers=offered,
        rates={"USD": Decimal("0.9")} if rng.random() < 0.9 else {},
        bay_hour=Decimal(rng.choice([0, 1, 40])),
        weights={"j0": 2},
        worth={
            size: tuple(price * share / 100 for share in (80, 40))
            for size, price in cheapest.items()
            if price and rng.random() < 0.5
        },
        locks={offered[0].key: rng.randint(0, 3)} if locked else {},
        other_size=Decimal(rng.choice(["0", "0.25"])),
    )


def _offer(rng, key, supplier, size):
    price = Decimal(rng.randint(8, 40)) / 10
    pack = rng.choice([1, 1, 2, 3])
    breaks = [Break(1, price * pack)]
    if rng.random() < 0.4:
        breaks.append(Break(rng.randint(2, 4), price * pack * Decimal("0.8")))
    return Offered(
        key=key,
        supplier=supplier,
        size=size,
        pack=pack,
        breaks=tuple(breaks),
        incremental=rng.random() < 0.4,
        arrives=NOW + timedelta(days=rng.randint(0, 3), hours=3),
        valid_to=rng.choice([None, None, None, date(2026, 2, 28)]),
    )


def _need(rng, number, sizes):
    would_do = sorted({size.nm for size in rng.sample(sizes, rng.randint(1, min(2, len(sizes))))})
    return Wanted(
        key=f"n{number}",
        family="F",
        sizes_nm=tuple(would_do),
        quantity=rng.choice([1, 1, 2]),
        preferred_nm=rng.choice(would_do),
        job=rng.choice([None, "j0", "j1"]),
        needed_by=rng.choice([None, NOW + timedelta(days=1)]),
    )


def _price(offer, packs):
    """What so many packs cost, pack by pack; the checks' own."""
    at = [
        next(step.price for step in reversed(offer.breaks) if step.from_packs <= k + 1) for k in range(packs)
    ]
    return sum(at, Decimal(0)) if offer.incremental else packs * at[-1] if at else Decimal(0)


def _standing(problem):
    """Offers that count, with the rate of each."""
    terms = {each.key: each for each in problem.suppliers}
    for offer in problem.offers:
        code = terms[offer.supplier].currency
        rate = 1 if code == problem.currency else problem.rates.get(code)
        if rate is not None and (offer.valid_to is None or problem.on <= offer.valid_to):
            yield offer, Fraction(rate)


def _late(problem, need, arrives):
    if need.job is None or need.needed_by is None:
        return Fraction(0)
    return open_hours(problem.hours, need.needed_by, arrives)


def by_trying_everything(problem, most_packs=8, most_ways=200_000):
    """(shims that stay unserved, least total) over all numbers of packs and all ways to hand them to needs.

    None when there would be more than `most_ways` numbers of packs.
    """
    standing = list(_standing(problem))
    terms = {each.key: each for each in problem.suppliers}
    pieces = sum(need.quantity for need in problem.wanted)
    ranges = []
    for offer, _ in standing:
        lock = problem.locks.get(offer.key)
        floor = max(pieces, terms[offer.supplier].minimum_pieces) + 4
        ranges.append([lock] if lock is not None else range(min(most_packs, floor) + 1))
    if np.prod([float(len(each)) for each in ranges]) > most_ways:
        return None
    grown = defaultdict(bool)
    for offer, _ in standing:
        grown[offer.supplier] |= offer.key not in problem.locks
    best = None
    for packs in itertools.product(*ranges):
        fixed = _order_costs(problem, terms, standing, packs, grown)
        if fixed is None:
            continue
        stock = Counter()
        for (offer, _), count in zip(standing, packs, strict=True):
            stock[offer.size, offer.arrives] += count * offer.pack
        if (
            best is not None
            and not problem.worth
            and fixed >= best[1]
            and best[0] == _hopeless(problem, standing)
        ):
            continue
        missing, handed = _best_handing(problem, stock)
        found = (missing, fixed + handed)
        best = found if best is None else min(best, found)
    return best


def _hopeless(problem, standing):
    """Shims for which nothing is on offer."""
    sold = {offer.size.nm for offer, _ in standing}
    return sum(need.quantity for need in problem.wanted if not sold & set(need.sizes_nm))


def _order_costs(problem, terms, standing, packs, grown):
    """Goods and delivery of all orders; None when one is below its minimum."""
    value, count, cost = Counter(), Counter(), Fraction(0)
    for (offer, rate), number in zip(standing, packs, strict=True):
        if number:
            price = _price(offer, number)
            value[offer.supplier] += price
            count[offer.supplier] += number * offer.pack
            cost += Fraction(price) * rate
    rates = {offer.supplier: rate for offer, rate in standing}
    for key in count:
        each = terms[key]
        if grown[key] and (value[key] < each.minimum_value or count[key] < each.minimum_pieces):
            return None
        if each.free_from is None or value[key] < each.free_from:
            cost += Fraction(each.delivery_fee) * rates[key]
    return cost


def _best_handing(problem, stock):
    """(unserved, lateness + other sizes − credit) of the best way to hand the stock to single needs."""
    units = [need for need in problem.wanted for _ in range(need.quantity)]
    best = None

    def hand(index, left, late, other, missing):
        nonlocal best
        if best is not None and missing > best[0]:
            return
        if index == len(units):
            cost = Fraction(other) * Fraction(problem.other_size)
            for job, hours in late.items():
                cost += hours * Fraction(problem.bay_hour) * problem.weights.get(job, 1)
            over = Counter()
            for (size, _), count in left.items():
                over[size] += count
            for size, count in over.items():
                cost -= sum((Fraction(worth) for worth in problem.worth.get(size, ())[:count]), Fraction(0))
            found = (missing, cost)
            best = found if best is None else min(best, found)
            return
        need = units[index]
        for key, count in left.items():
            size, arrives = key
            if count and size.nm in need.sizes_nm:
                then = dict(late)
                if need.job is not None:
                    then[need.job] = max(then.get(need.job, Fraction(0)), _late(problem, need, arrives))
                hand(
                    index + 1,
                    {**left, key: count - 1},
                    then,
                    other + (size.nm != need.preferred_nm),
                    missing,
                )
        hand(index + 1, left, late, other, missing + 1)

    hand(0, dict(stock), {}, 0, 0)
    return best


def by_second_program(problem, most_packs):
    """The least total by another integer program: a yes or no for every number of packs of every offer, for
    every need and offer, and for every order; waits as the greatest of their parts. No locks, all served.
    """
    standing = list(_standing(problem))
    terms = {each.key: each for each in problem.suppliers}
    cost, whole, most, rows = [], [], [], []

    def column(price, upper, integer=1):
        cost.append(float(price))
        most.append(upper)
        whole.append(integer)
        return len(cost) - 1

    order = {key: column(0, 1) for key in terms}
    paid = {
        key: column(float(terms[key].delivery_fee) * float(problem.rate(terms[key].currency)), 1)
        for key in terms
    }
    counts = {
        (offer.key, number): column(Fraction(_price(offer, number)) * rate, 1)
        for offer, rate in standing
        for number in range(1, most_packs + 1)
    }
    value, pieces = defaultdict(list), defaultdict(list)
    for offer, _ in standing:
        rows.append(
            (
                [(counts[offer.key, k], 1) for k in range(1, most_packs + 1)] + [(order[offer.supplier], -1)],
                -np.inf,
                0,
            )
        )
        for k in range(1, most_packs + 1):
            value[offer.supplier].append((counts[offer.key, k], float(_price(offer, k))))
            pieces[offer.supplier].append((counts[offer.key, k], k * offer.pack))
    for key, each in terms.items():
        rows.append((value[key] + [(order[key], -float(each.minimum_value))], 0, np.inf))
        rows.append((pieces[key] + [(order[key], -each.minimum_pieces)], 0, np.inf))
        # Paid unless free: order − paid <= value / free_from.
        free = float(each.free_from) if each.free_from else None
        share = [(col, -price / free) for col, price in value[key]] if free else []
        if free is None or free == 0:
            rows.append(([(order[key], 1 if free is None else 0), (paid[key], -1)], -np.inf, 0))
        else:
            covered = column(0, 1)
            rows.append(([(covered, 1), *share], -np.inf, 0))
            rows.append(([(order[key], 1), (paid[key], -1), (covered, -1)], -np.inf, 0))
    wait = {
        need.job: column(float(problem.bay_hour) * problem.weights.get(need.job, 1), np.inf, 0)
        for need in problem.wanted
        if need.job
    }
    used, left = defaultdict(list), defaultdict(list)
    for need in problem.wanted:
        for _ in range(need.quantity):
            ways = []
            for offer, _ in standing:
                if offer.size.nm in need.sizes_nm:
                    other = 0 if offer.size.nm == need.preferred_nm else float(problem.other_size)
                    take = column(other, 1)
                    ways.append((take, 1))
                    used[offer.key].append((take, -1))
                    late = float(_late(problem, need, offer.arrives))
                    if late:
                        rows.append(([(take, late), (wait[need.job], -1)], -np.inf, 0))
            rows.append((ways, 1, 1))
    for offer, _ in standing:
        comes = [(counts[offer.key, k], k * offer.pack) for k in range(1, most_packs + 1)]
        rows.append((comes + used[offer.key], 0, np.inf))
        left[offer.size] += comes + used[offer.key]
    for size, parts in left.items():
        credits = [(column(-worth, 1, 0), -1) for worth in problem.worth.get(size, ())]
        rows.append((parts + credits, 0, np.inf))
    matrix = np.zeros((len(rows), len(cost)))
    for number, (parts, _, _) in enumerate(rows):
        for col, factor in parts:
            matrix[number, col] += factor
    result = milp(
        np.array(cost),
        integrality=np.array(whole),
        bounds=Bounds(np.zeros(len(cost)), np.array(most)),
        constraints=LinearConstraint(matrix, [low for _, low, _ in rows], [high for _, _, high in rows]),
        options={"mip_rel_gap": 1e-7, "time_limit": 60},
    )
    assert result.status == 0, result.message
    return result.fun
