"""Where the points of a price history stand on a drawing.

Promise
    Days run from left to right, prices from the bottom, which is 0, to the top, which is the highest of them.
    Each seller is one series, its points in the order of time. Coordinates are in the drawing's own units.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

WIDTH, HEIGHT = 480, 220
LEFT, RIGHT, TOP, BOTTOM = 76, 16, 16, 36
MOST_SERIES = 4
"""More sellers than there are shapes to tell them apart are drawn with the last shape."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Price:
    """What one shim cost on a day. paid: it is what was really paid, not what was ordered at."""

    on: date
    seller: str
    each: Decimal
    paid: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """points: (x, y) of each price; shape: which of the marks stands for the seller, from 0."""

    seller: str
    shape: int
    points: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """highest: the price at the top; first, last: the days at the ends."""

    series: tuple[Series, ...]
    highest: Decimal
    first: date
    last: date


def chart(prices: Sequence[Price]) -> Chart | None:
    """The drawing of these prices; None where there is none."""
    if not prices:
        return None
    ordered = sorted(prices, key=lambda price: (price.on, price.seller))
    first, last = ordered[0].on, ordered[-1].on
    highest = max(price.each for price in ordered) or Decimal(1)
    days = max(1, (last - first).days)
    wide, high = WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM

    def spot(price: Price) -> tuple[int, int]:
        x = LEFT + wide * (price.on - first).days // days
        return x, TOP + high - round(high * price.each / highest)

    sellers = list(dict.fromkeys(price.seller for price in ordered))
    return Chart(
        series=tuple(
            Series(
                seller=seller,
                shape=min(number, MOST_SERIES - 1),
                points=tuple(spot(price) for price in ordered if price.seller == seller),
            )
            for number, seller in enumerate(sellers)
        ),
        highest=highest,
        first=first,
        last=last,
    )
