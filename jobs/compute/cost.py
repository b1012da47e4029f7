"""What a plan costs in money and time: shims, openings, waiting.

Promise
    Every amount is reckoned exactly and rounded once, as inventory/compute/money.py has it, to whole minor
    units of its currency. A total is the sum of the rounded amounts that stand above it, so that the column
    adds up for whoever reckons it again by hand.

Limits
    What a shim costs is what the caller says; a shim without a price makes the amount of the shims, and with
    it the total, unknown rather than too small. No float ever holds money. Taxes are not reckoned.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Protocol

from inventory.compute.money import in_minor_units, known_currency, minor_unit, rounded

_MINUTES = 60
_COST = ("stock", "order", "buy")


@dataclass(frozen=True, slots=True, kw_only=True)
class Rates:
    """What time costs the shop. Raises ValueError for an amount below 0 and for what is no currency."""

    currency: str
    minutes_per_opening: Decimal
    """For one valve: cover parts, pulling the shim, fitting, measuring again."""
    labour_per_hour: Decimal
    bay_per_hour: Decimal
    """What an hour costs in which an engine blocks a bay."""
    bay_hours_per_day: Decimal
    """How long a bay is at work in a day: what a day of waiting costs it."""

    def __post_init__(self) -> None:
        if known_currency(self.currency) != self.currency:
            raise ValueError(f"a currency is three capital letters (ISO 4217), not {self.currency!r}")
        for amount in (
            self.minutes_per_opening,
            self.labour_per_hour,
            self.bay_per_hour,
            self.bay_hours_per_day,
        ):
            if not amount.is_finite() or amount < 0:
                raise ValueError("a rate is 0 or more")


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What a plan costs, in minor units of the currency."""

    currency: str
    shims: int | None
    """Shims bought and taken from stock, at cost; None where one of them has no price."""
    unpriced: int
    """How many have none."""
    labour: int
    waiting: int
    minutes: Fraction
    """Of labour."""
    bay_hours: Fraction
    """That the bay waits for what is bought."""

    @property
    def total(self) -> int | None:
        """None where the shims' amount is not known."""
        return None if self.shims is None else self.shims + self.labour + self.waiting

    def shown(self, minor: int) -> str:
        """An amount of this cost for the eye, e.g. "12.40 EUR"."""
        return f"{major(minor, self.currency)} {self.currency}"


class Chosen(Protocol):
    """What a plan does with one valve: a `planner.Choice`, or a row that keeps one."""

    @property
    def action(self) -> str: ...

    @property
    def condition(self) -> str | None: ...


Price = Callable[[str], Decimal | None]
"""What a shim costs by its condition, "new" or "used"; None where nobody knows."""


def plan_cost(
    choices: Iterable[Chosen], rates: Rates, price: Price, *, lead_days: int | None, due_days: int = 0
) -> Cost:
    """What these choices cost. `lead_days`: how long a bought shim takes to come; None where nobody knows,
    which costs nothing here. `due_days`: until what is on order comes. Swaps cost labour and no shim;
    unresolved valves are opened too.
    """
    choices = list(choices)
    conditions = [choice.condition for choice in choices if choice.action in _COST and choice.condition]
    prices = [price(condition) for condition in conditions]
    known = [amount for amount in prices if amount is not None]
    opened = sum(choice.action not in ("keep", "measure") for choice in choices)
    minutes = opened * Fraction(rates.minutes_per_opening)
    waits = max(
        lead_days or 0 if any(choice.action == "buy" for choice in choices) else 0,
        due_days if any(choice.action == "order" for choice in choices) else 0,
    )
    bay_hours = waits * Fraction(rates.bay_hours_per_day)
    return Cost(
        currency=rates.currency,
        shims=to_minor(sum(map(Fraction, known), Fraction(0)), rates.currency)
        if len(known) == len(prices)
        else None,
        unpriced=len(prices) - len(known),
        labour=to_minor(minutes / _MINUTES * Fraction(rates.labour_per_hour), rates.currency),
        waiting=to_minor(bay_hours * Fraction(rates.bay_per_hour), rates.currency),
        minutes=minutes,
        bay_hours=bay_hours,
    )


def together(costs: Iterable[Cost], currency: str) -> Cost:
    """Several plans as one, e.g. a shop's; nothing costs 0. Their shims are known where each one's are."""
    costs = list(costs)
    shims = [cost.shims for cost in costs if cost.shims is not None]
    return Cost(
        currency=currency,
        shims=sum(shims) if len(shims) == len(costs) else None,
        unpriced=sum(cost.unpriced for cost in costs),
        labour=sum(cost.labour for cost in costs),
        waiting=sum(cost.waiting for cost in costs),
        minutes=sum((cost.minutes for cost in costs), Fraction(0)),
        bay_hours=sum((cost.bay_hours for cost in costs), Fraction(0)),
    )


def to_minor(amount: Fraction | Decimal, currency: str) -> int:
    """The amount in whole minor units, rounded by the one rule of money.py."""
    return in_minor_units(rounded(Fraction(amount), currency), currency)


def major(minor: int, currency: str) -> str:
    """An amount in minor units as a decimal text, e.g. "12.40"."""
    return f"{Decimal(minor) * minor_unit(currency):f}"
