"""Amounts: exact, in the minor units of ISO 4217, rounded by one rule."""

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.compute.money import (
    MINOR_DIGITS,
    MoneyError,
    in_minor_units,
    known_currency,
    line_amount,
    minor_unit,
    parse_price,
    rounded,
    show_money,
    total,
)


@pytest.mark.parametrize(
    ("code", "unit"),
    # ISO 4217, list one (minor units): from memory, checked against no copy here.
    [
        ("EUR", "0.01"),
        ("USD", "0.01"),
        ("JPY", "1"),
        ("KRW", "1"),
        ("ISK", "1"),
        ("KWD", "0.001"),
        ("TND", "0.001"),
    ],
)
def test_minor_units(code, unit):
    assert minor_unit(code) == Decimal(unit)


def test_what_is_no_currency():
    assert known_currency(" eur ") == "EUR"
    for code in ("", "EU", "EURO", "XAU", "XXX", "XTS"):
        with pytest.raises(MoneyError, match="ISO 4217"):
            known_currency(code)


@pytest.mark.parametrize(
    ("amount", "code", "to"),
    [
        ("1.005", "EUR", "1.01"),
        ("1.0049", "EUR", "1.00"),
        ("-1.005", "EUR", "-1.01"),
        ("2.5", "JPY", "3"),
        ("0.0005", "KWD", "0.001"),
    ],
)
def test_half_is_rounded_away_from_nothing(amount, code, to):
    assert str(rounded(Decimal(amount), code)) == to
    assert str(rounded(Fraction(amount), code)) == to


@given(st.decimals(-(10**9), 10**9, places=6), st.sampled_from(sorted(MINOR_DIGITS)))
def test_rounding_is_within_half_a_unit_and_the_same_for_fractions(amount, code):
    there = rounded(amount, code)
    assert abs(there - amount) <= minor_unit(code) / 2
    assert there == rounded(Fraction(amount), code)
    assert in_minor_units(there, code) == there / minor_unit(code)


@given(
    st.lists(st.tuples(st.decimals(0, 1000, places=4), st.integers(1, 1000)), max_size=30),
    st.sampled_from(sorted(MINOR_DIGITS)),
)
def test_a_total_is_the_sum_of_its_lines_in_every_currency(lines, code):
    amounts = [line_amount(price, quantity, code) for price, quantity in lines]
    whole = total(amounts, code)
    assert in_minor_units(whole, code) == sum(in_minor_units(amount, code) for amount in amounts)
    assert -whole.as_tuple().exponent == MINOR_DIGITS[code]


def test_a_total_refuses_what_is_not_rounded():
    with pytest.raises(MoneyError, match=r"1\.005 EUR"):
        total([Decimal("1.005")], "EUR")


@pytest.mark.parametrize(
    ("keyed", "price"), [("3.25", "3.25"), ("3,25", "3.25"), (" 12 ", "12"), ("0.0375", "0.0375")]
)
def test_prices_as_keyed(keyed, price):
    assert parse_price(keyed) == Decimal(price)


@pytest.mark.parametrize(
    "keyed", ["", "-1", "+1", "1e3", "NaN", "1.2.3", "1,234.50", "3 25", "٣", "1.23456", "1" + "0" * 12]
)
def test_prices_that_cannot_be_meant(keyed):
    with pytest.raises(MoneyError):
        parse_price(keyed)


def test_amounts_for_people():
    assert show_money(Decimal("12.5"), "EUR") == "12.50 EUR"
    assert show_money(Fraction(1, 3), "KWD") == "0.333 KWD"
