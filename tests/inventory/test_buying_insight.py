"""What buying costs: spend, punctuality and price history, from orders and deliveries as they were booked."""

from datetime import date, timedelta
from decimal import Decimal

import pytest

from inventory.compute.price_chart import BOTTOM, HEIGHT, LEFT, RIGHT, TOP, WIDTH, Price, chart
from inventory.compute.sampling import judge, sample_size
from inventory.selectors.buying import bought_sizes, prices_of, punctuality, saved_by_gathering, spent
from inventory.services.catalogue import add_offer, add_supplier
from inventory.services.purchasing import Buy, cancel_purchase, mark_bought
from inventory.services.receipts import Found
from inventory.services.receiving import receive_purchase

SIZE = 2_625_000
YEAR = timedelta(days=300)


@pytest.mark.django_db
def test_one_order_in_two_deliveries(site, clerk, service, at, family, bins):
    supplier = add_supplier(actor=service, code="brandt", name="Brandt Parts", lead_days=2)
    add_offer(actor=service, supplier=supplier, family=family, price=Decimal("4.20"), currency="EUR")
    buys = [Buy(family=family, thickness_nm=SIZE, quantity=3)]
    order = mark_bought(site=site, actor=clerk, at=at, supplier=supplier, buys=buys)
    line = order.lines.get()
    for days, count, found in ((2, 2, Found(price=Decimal("4.00"))), (5, 1, Found())):
        # Days of the calendar: the second comes on the Saturday, which ends the fifth working day.
        receive_purchase(
            purchase_list=order,
            actor=clerk,
            at=at + timedelta(days=days),
            received={line.pk: count},
            found={line.pk: found},
        )
    between = (at - timedelta(days=1), at + YEAR)
    (row,) = spent(site, *between)
    assert (row.supplier, row.orders, row.amount, row.currency) == (
        "Brandt Parts",
        1,
        Decimal("12.60"),
        "EUR",
    )
    (kept,) = punctuality(site, *between)
    assert (kept.deliveries, kept.in_time, kept.days_late, kept.percent_in_time) == (2, 1, 3, 50)
    assert saved_by_gathering(site, *between) == 0
    assert [(nm, times) for _, nm, times in bought_sizes(site)] == [(SIZE, 1)]
    prices, currency = prices_of(site, family, SIZE)
    assert currency == "EUR"
    assert [(price.each, price.paid) for price in prices] == [
        (Decimal("4.2000"), False),
        (Decimal("4.0000"), True),
    ]


@pytest.mark.django_db
def test_of_an_order_whose_rest_was_called_off_what_came_counts(site, clerk, service, at, family, bins):
    supplier = add_supplier(actor=service, code="brandt", name="Brandt Parts", lead_days=2)
    add_offer(actor=service, supplier=supplier, family=family, price=Decimal("4.20"), currency="EUR")
    buys = [Buy(family=family, thickness_nm=SIZE, quantity=3)]
    order = mark_bought(site=site, actor=clerk, at=at, supplier=supplier, buys=buys)
    receive_purchase(purchase_list=order, actor=clerk, at=at, received={order.lines.get().pk: 2})
    cancel_purchase(purchase_list=order, actor=clerk, at=at)
    (row,) = spent(site, at - timedelta(days=1), at + YEAR)
    assert (row.orders, row.amount) == (1, Decimal("8.40"))


def test_nothing_to_draw():
    assert chart([]) is None


def test_the_ends_of_the_drawing():
    drawn = chart(
        [
            Price(on=date(2026, 3, 2), seller="A", each=Decimal(2)),
            Price(on=date(2026, 3, 12), seller="A", each=Decimal(4)),
            Price(on=date(2026, 3, 7), seller="B", each=Decimal(0)),
        ]
    )
    first, second = drawn.series
    assert first.points == ((LEFT, TOP + (HEIGHT - TOP - BOTTOM) // 2), (WIDTH - RIGHT, TOP))
    assert second.points == (((LEFT + WIDTH - RIGHT) // 2, HEIGHT - BOTTOM),)
    assert (first.shape, second.shape) == (0, 1)


def test_the_rule_of_the_square_root():
    """Common practice, no source."""
    assert [sample_size(lot) for lot in (0, 1, 2, 3, 4, 9, 10, 100)] == [0, 1, 2, 2, 3, 4, 4, 11]


def test_both_ends_of_the_tolerance_are_inside():
    assert judge(SIZE, [SIZE - 5_000, SIZE + 5_000], 5_000).accepted
    assert not judge(SIZE, [SIZE, SIZE + 5_001], 5_000).accepted
    assert judge(SIZE, [SIZE, SIZE - 7_000, SIZE + 6_000], 5_000).worst_nm == SIZE - 7_000
