"""What goes into a choice of what to buy where, and what comes out. Lengths are whole nanometres; amounts are
exact; each says whether it is of the supplier's currency or of the shop's."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction
from typing import Literal, NamedTuple

from inventory.compute.purchase.calendar import OpeningHours

Window = Literal["guaranteed", "called", "exact"]
"""Which thicknesses would do: those of the guaranteed window; of the called one, because no shim is
guaranteed for that valve; or the one that was asked for by hand or by the restock rule."""
Reason = Literal["not_made", "not_sold", "not_valid", "no_rate", "locked_out"]
"""Why a need cannot be bought: no such size is made; nobody sells it; only at another date; in a currency
without a rate; the locked lines leave none for it."""
MOST_QUANTITY = 10_000


class Size(NamedTuple):
    """One size of one family."""

    family: str
    nm: int


class Break(NamedTuple):
    """From so many packs on, a pack costs this much, in the supplier's currency."""

    from_packs: int
    price: Decimal


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """One supplier. Amounts are in the supplier's `currency`."""

    key: str
    currency: str
    minimum_value: Decimal = Decimal(0)
    """The least goods value of an order."""
    minimum_pieces: int = 0
    """The fewest shims of an order."""
    delivery_fee: Decimal = Decimal(0)
    free_from: Decimal | None = None
    """The goods value from which delivery is free; None where it never is."""

    def __post_init__(self) -> None:
        amounts = (self.minimum_value, self.delivery_fee, self.free_from or Decimal(0))
        if self.minimum_pieces < 0 or any(amount < 0 for amount in amounts):
            raise ValueError(f"the terms of {self.key} have an amount below nothing")


@dataclass(frozen=True, slots=True, kw_only=True)
class Offered:
    """One part number of one supplier."""

    key: str
    supplier: str
    size: Size
    pack: int
    """Shims in one pack."""
    breaks: tuple[Break, ...]
    """Ascending, the first from one pack on; the price never rises from one to the next."""
    incremental: bool = False
    """True: a break's price is for the packs from there on only; False: for all packs of the line."""
    arrives: datetime
    """When it would be here, ordered now."""
    valid_from: date | None = None
    valid_to: date | None = None
    """The last day included."""

    def __post_init__(self) -> None:
        starts = [step.from_packs for step in self.breaks]
        if not starts or starts[0] != 1 or starts != sorted(set(starts)):
            raise ValueError(f"the breaks of {self.key} do not ascend from one pack")
        prices = [step.price for step in self.breaks]
        if prices != sorted(prices, reverse=True):
            raise ValueError(f"the prices of {self.key} rise with the packs")
        if self.pack < 1 or any(step.price <= 0 for step in self.breaks):
            raise ValueError(f"{self.key} has an empty pack or no price")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """A need: so many shims, each of one of `sizes_nm`."""

    key: str
    family: str
    sizes_nm: tuple[int, ...]
    """What would do, in ascending order; empty where no such size is made."""
    quantity: int = 1
    preferred_nm: int | None = None
    """The size that the plan chose; any other that would do costs `other_size` more."""
    window: Window = "exact"
    job: str | None = None
    """The job that waits; its bay waits until the last of its needs is here."""
    needed_by: datetime | None = None

    def __post_init__(self) -> None:
        if not 1 <= self.quantity <= MOST_QUANTITY:
            raise ValueError(f"the need {self.key} is for {self.quantity} shims")
        if list(self.sizes_nm) != sorted(set(self.sizes_nm)):
            raise ValueError(f"the sizes of the need {self.key} do not ascend")


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """All needs beside all offers. Amounts without another word are in the shop's `currency`.

    Raises ValueError when keys are doubled or unknown, or when left-over shims were credited at more than
    they cost, for then the choice would buy for the shelf without end; the restock rule's needs say that.
    """

    on: date
    """The day of the order, for the offers' validity."""
    currency: str
    wanted: tuple[Wanted, ...]
    suppliers: tuple[Terms, ...]
    offers: tuple[Offered, ...]
    rates: Mapping[str, Decimal] = field(default_factory=dict)
    """What one unit of another currency is in the shop's."""
    bay_hour: Decimal = Decimal(0)
    """What an hour costs in which a bay of weight 1 waits."""
    weights: Mapping[str, int] = field(default_factory=dict)
    """How much a job counts; 1 where it is not named."""
    hours: OpeningHours = field(default_factory=OpeningHours)
    """When the shop is open; a bay waits only then."""
    worth: Mapping[Size, tuple[Decimal, ...]] = field(default_factory=dict)
    """What the first, the second … left-over shim of a size is worth in stock; nothing beyond, never more."""
    locks: Mapping[str, int] = field(default_factory=dict)
    """Offer -> packs that stay as they are; 0 keeps an offer out."""
    other_size: Decimal = Decimal(0)
    """What it costs to take another size than the preferred one."""

    def __post_init__(self) -> None:
        for name, keys in (
            ("need", [need.key for need in self.wanted]),
            ("supplier", [terms.key for terms in self.suppliers]),
            ("offer", [offer.key for offer in self.offers]),
        ):
            if len(keys) > len(set(keys)):
                raise ValueError(f"a {name} is named twice")
        known = {terms.key for terms in self.suppliers}
        if strange := {offer.supplier for offer in self.offers} - known:
            raise ValueError(f"no terms are given for {min(strange)}")
        if strange := set(self.locks) - {offer.key for offer in self.offers}:
            raise ValueError(f"the locked line {min(strange)} is not on offer")
        if any(packs < 0 for packs in self.locks.values()):
            raise ValueError("a locked line has less than no packs")
        self._refuse_worth_above_price()

    def _refuse_worth_above_price(self) -> None:
        currencies = {terms.key: terms.currency for terms in self.suppliers}
        cheapest: dict[Size, Fraction] = {}
        for offer in self.offers:
            rate = self.rate(currencies[offer.supplier])
            if rate is not None and offer.size in self.worth:
                each = min(Fraction(step.price) for step in offer.breaks) * rate / offer.pack
                cheapest[offer.size] = min(each, cheapest.get(offer.size, each))
        for size, worth in self.worth.items():
            if list(worth) != sorted(worth, reverse=True) or (worth and worth[-1] < 0):
                raise ValueError("what a left-over shim is worth must fall from one to the next, to nothing")
            if worth and size in cheapest and worth[0] > cheapest[size]:
                raise ValueError(f"a left-over shim of {size.nm} nm is credited at more than it costs")

    def rate(self, currency: str) -> Fraction | None:
        """What one unit of a currency is in the shop's; None when no rate is keyed."""
        if currency == self.currency:
            return Fraction(1)
        rate = self.rates.get(currency)
        return None if rate is None or rate <= 0 else Fraction(rate)


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """So many packs of an offer."""

    offer: str
    packs: int
    pieces: int
    goods: Decimal
    """In the supplier's currency, not rounded."""
    locked: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What goes to one supplier. Amounts in the supplier's currency, not rounded."""

    supplier: str
    lines: tuple[Line, ...]
    goods: Decimal
    delivery: Decimal
    below_minimum: bool = False
    """Only where every line is locked, so that the minimum could not be reached."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """So many shims of what comes from a supplier at a time are for a need."""

    need: str
    supplier: str
    size: Size
    arrives: datetime
    quantity: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Unmet:
    """A need, or part of it, that cannot be bought."""

    need: str
    quantity: int
    reason: Reason


@dataclass(frozen=True, slots=True, kw_only=True)
class Wait:
    """A job that waits: for what comes last, and for how many hours in which the shop is open."""

    job: str
    hours: Fraction
    cost: Fraction
    suppliers: tuple[str, ...]
    """Whose deliveries it waits for as long as that."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """In the shop's currency, exact. `total` is the sum of the first four less the credit."""

    goods: Fraction
    delivery: Fraction
    lateness: Fraction
    other_size: Fraction
    credit: Fraction

    @property
    def total(self) -> Fraction:
        return self.goods + self.delivery + self.lateness + self.other_size - self.credit


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """What to buy. Orders by supplier, lines by offer, all in the order of the problem."""

    orders: tuple[Order, ...]
    given: tuple[Given, ...]
    unmet: tuple[Unmet, ...]
    waits: tuple[Wait, ...]
    left_over: Mapping[Size, int]
    figures: Figures
    bound: Fraction
    """No choice that meets as many needs has a smaller total than this."""

    @property
    def gap(self) -> Fraction:
        """How much less another choice could cost at most, as a share of this one's total; 0: none could."""
        most = self.figures.total - self.bound
        return most / max(abs(self.figures.total), Fraction(1)) if most > 0 else Fraction(0)

    @property
    def proven(self) -> bool:
        """Whether no other choice is cheaper by a millionth of the total."""
        return self.gap <= Fraction(1, 10**6)
