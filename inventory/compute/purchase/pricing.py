"""What packs cost, with their breaks, and what comes of a minimum order and a delivery fee."""

from decimal import Decimal
from fractions import Fraction

from inventory.compute.purchase.types import Offered, Terms


def goods(offer: Offered, packs: int) -> Decimal:
    """What so many packs of an offer cost in the supplier's currency, not rounded; nothing for none."""
    if packs == 0:
        return Decimal(0)
    if not offer.incremental:
        return packs * max(step for step in offer.breaks if step.from_packs <= packs).price
    ends = [step.from_packs - 1 for step in offer.breaks[1:]] + [packs]
    return sum(
        (
            (min(end, packs) - step.from_packs + 1) * step.price
            for step, end in zip(offer.breaks, ends, strict=True)
            if step.from_packs <= packs
        ),
        Decimal(0),
    )


def delivery(terms: Terms, value: Decimal) -> Decimal:
    """The delivery fee of an order of this goods value, in the supplier's currency."""
    free = terms.free_from is not None and value >= terms.free_from
    return Decimal(0) if free else terms.delivery_fee


def reaches_minimum(terms: Terms, value: Decimal, pieces: int) -> bool:
    return value >= terms.minimum_value and pieces >= terms.minimum_pieces


def packs_for(offer: Offered, pieces: int) -> int:
    """The fewest packs that hold so many shims."""
    return -(-pieces // offer.pack)


def packs_worth(offer: Offered, value: Decimal) -> int:
    """So many packs that from there on every number of them is worth `value`; 0 if that is never so."""
    cheapest = min(step.price for step in offer.breaks)
    return -(-Fraction(value) // Fraction(cheapest)) if cheapest else 0


def most_packs(offer: Offered, terms: Terms, pieces: int) -> int:
    """More packs than this are never better, where `pieces` of the size are wanted at most: they serve all,
    have the best price, and reach the minimum and free delivery by themselves."""
    return max(
        packs_for(offer, pieces),
        offer.breaks[-1].from_packs if len(offer.breaks) > 1 else 0,
        packs_for(offer, terms.minimum_pieces),
        packs_worth(offer, terms.minimum_value),
        packs_worth(offer, terms.free_from or Decimal(0)),
    )
