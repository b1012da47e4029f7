"""How long the choice of what to buy takes, and what it saves:  python -m tests.bench.bench_purchase

Made-up weeks, seeded, so that every run buys the same: 8 suppliers in three currencies, with delivery fees,
minimum orders and one to six working days; 60 sizes, each sold by about two in three of them, singly, in
packs or both, some with price breaks; 500 needs of 170 jobs, each served by one to three sizes, and some that
no job waits for; the faster suppliers are in time for most jobs.

Beside each choice stands the rule that it is to beat (purchase.greedy): each need from its cheapest supplier.
Times are of one process, from the records to the records, until it is proven that no other way is cheaper by
a thousandth: wall, and processor, which other work on the machine lengthens less and which the bar is held
against. Every choice is checked with `verify`.
"""

import random
import sys
import time
from datetime import UTC, datetime, timedelta
from decimal import Decimal

from inventory.compute.purchase import (
    Break,
    LeadTime,
    Offered,
    Problem,
    Size,
    Terms,
    Wanted,
    arrival,
    cheapest_each,
    choose,
    each_alone,
    verify,
)

NOW = datetime(2026, 3, 2, 9, tzinfo=UTC)
STEP = 25_000
NEEDS, SUPPLIERS, SIZES = 500, 8, 60
BAR_S, BAR_GAP = 10.0, 0.001
WALL_LIMIT_S = 60.0


def week(seed: str, needs: int = NEEDS, suppliers: int = SUPPLIERS, sizes: int = SIZES) -> Problem:
    """A week's needs and price lists."""
    rng = random.Random(seed)
    made = [Size("F", 2_000_000 + STEP * number) for number in range(sizes)]
    terms = tuple(_terms(rng, number) for number in range(suppliers))
    offers = tuple(
        offer
        for number, each in enumerate(terms)
        for size in made
        if rng.random() < 0.67
        for offer in _offers(rng, each, size, 1 + number * 5 // max(suppliers - 1, 1))
    )
    sold = sorted({offer.size for offer in offers})
    wanted = tuple(_need(rng, number, sold) for number in range(needs))
    cheapest = {
        size: min(step.price / offer.pack for offer in offers if offer.size == size for step in offer.breaks)
        for size in sold
    }
    return Problem(
        on=NOW.date(),
        currency="EUR",
        wanted=wanted,
        suppliers=terms,
        offers=offers,
        rates={"SEK": Decimal("0.6"), "JPY": Decimal("0.62")},
        bay_hour=Decimal(40),
        worth={
            size: tuple(price * 6 / 10 * Decimal(share) / 100 for share in (90, 70, 50, 30))
            for size, price in cheapest.items()
        },
        other_size=Decimal("0.02"),
    )


def _terms(rng: random.Random, number: int) -> Terms:
    currency = ["EUR", "SEK", "EUR", "JPY"][number % 4]
    return Terms(
        key=f"supplier {number}",
        currency=currency,
        minimum_value=Decimal(rng.choice([0, 20, 50])),
        delivery_fee=Decimal(rng.choice([4, 6, 9, 15])),
        free_from=Decimal(rng.choice([80, 120, 200])) if rng.random() < 0.6 else None,
    )


def _offers(rng: random.Random, terms: Terms, size: Size, days: int) -> list[Offered]:
    price = Decimal(rng.randrange(180, 620)) / 100
    arrives = arrival(LeadTime(working_days=days), NOW)
    found = []
    for pack in rng.choice([(1,), (1,), (5,), (1, 5), (10,)]):
        share = 100 if pack == 1 else rng.randrange(75, 95)
        of_pack = (price * pack * share / 100).quantize(Decimal("0.01"))
        breaks = [Break(1, of_pack)]
        if rng.random() < 0.3:
            breaks.append(Break(rng.choice([5, 10]), (of_pack * 9 / 10).quantize(Decimal("0.01"))))
        found.append(
            Offered(
                key=f"{terms.key} {size.nm} x{pack}",
                supplier=terms.key,
                size=size,
                pack=pack,
                breaks=tuple(breaks),
                incremental=rng.random() < 0.3,
                arrives=arrives,
            )
        )
    return found


def _need(rng: random.Random, number: int, sold: list[Size]) -> Wanted:
    first = min(max(round(rng.gauss(len(sold) / 2, len(sold) / 6)), 0), len(sold) - 1)
    would_do = sorted(size.nm for size in sold[first : first + rng.choice([1, 2, 2, 3])])
    job = None if number % 12 == 0 else f"job {number // 3}"
    return Wanted(
        key=f"need {number}",
        family="F",
        sizes_nm=tuple(would_do),
        preferred_nm=would_do[len(would_do) // 2],
        window="guaranteed",
        job=job,
        needed_by=NOW + timedelta(days=1 + (number // 3) % 9),
    )


def main() -> int:
    choose(week("warm up", 20, 3, 6))
    print(
        f"{'':<34} {'wall s':>7} {'proc s':>7} {'gap':>8} {'total':>10} {'rule':>10} {'saved':>7}"
        f" {'one by one':>11} {'orders':>7} {'lines':>6} {'rule':>6}"
    )
    faults: list[str] = []
    for seed, needs in (("week 1", NEEDS), ("week 2", NEEDS), ("week 3", NEEDS), ("a day", 60)):
        problem = week(seed, needs)
        wall, processor = time.perf_counter(), time.process_time()
        choice = choose(problem, WALL_LIMIT_S, BAR_GAP)
        wall, processor = time.perf_counter() - wall, time.process_time() - processor
        rule = cheapest_each(problem)
        saved = 1 - choice.figures.total / rule.figures.total
        print(
            f"{f'{seed}: {needs} needs, {SUPPLIERS} x {SIZES}':<34} {wall:7.2f} {processor:7.2f}"
            f" {float(choice.gap):8.4%} {float(choice.figures.total):10.2f} {float(rule.figures.total):10.2f}"
            f" {float(saved):7.2%} {float(each_alone(problem)):11.2f} {len(choice.orders):7}"
            f" {sum(len(order.lines) for order in choice.orders):6}"
            f" {sum(len(order.lines) for order in rule.orders):6}",
            flush=True,
        )
        faults += verify(problem, choice) + verify(problem, rule)
        if processor > BAR_S or choice.gap > BAR_GAP:
            faults.append(f"{seed}: {processor:.1f} s of the processor, gap {float(choice.gap):.3%}")
    print(*faults, sep="\n", file=sys.stderr)
    return 1 if faults else 0


if __name__ == "__main__":
    raise SystemExit(main())
