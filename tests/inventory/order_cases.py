"""Orders as records, for the tests of every form that an order takes."""

from datetime import date
from decimal import Decimal

from inventory.compute.money import line_amount, minor_unit, total
from inventory.orders import OrderLine, OrderRecord


def order(currency="EUR", lines=3, *, delivery="6", price="3.333", **changes):
    """An order of so many lines, three packs each."""
    amount = line_amount(Decimal(price), 3, currency)
    fee = Decimal(delivery).quantize(minor_unit(currency))
    goods = total([amount] * lines, currency)
    fields = {
        "name": "NORTH-12",
        "issued": date(2026, 3, 2),
        "expected": date(2026, 3, 4),
        "currency": currency,
        "buyer": ("Brackwater Valve Shop", "Quay 4", "orders@brackwater.example"),
        "site": "North Yard",
        "supplier": "Norrbeck & Daughter",
        "our_number": "K-77",
        "reference": "",
        "lines": tuple(
            OrderLine(
                number=number,
                part_number=f"S-{number}",
                words=f"Shim 2.6{number % 10}0 mm, 29 mm disc",
                packs=3,
                pack=1 if number % 2 else 5,
                pieces=3 if number % 2 else 15,
                price=Decimal(price),
                amount=amount,
            )
            for number in range(1, lines + 1)
        ),
        "goods": goods,
        "delivery": fee,
        "total": total([goods, fee], currency),
        "unpriced": 0,
        "draft": False,
    }
    return OrderRecord(**(fields | changes))
