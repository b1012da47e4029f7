"""Money and time of plans: exact, rounded once, never a float."""

from dataclasses import replace
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.compute.money import MINOR_DIGITS
from jobs.compute.cost import Rates, major, plan_cost, to_minor, together
from jobs.compute.planner import plan_engine
from tests.compute.planner_cases import problem, valve

RATES = Rates(
    currency="EUR",
    minutes_per_opening=Decimal(10),
    labour_per_hour=Decimal(84),
    bay_per_hour=Decimal(25),
    bay_hours_per_day=Decimal(8),
)
PRICES = {"new": Decimal("6.2050"), "used": Decimal("3.1025")}


def cost_of(engine, rates=RATES, price=PRICES.get, lead_days=2):
    return plan_cost(plan_engine(engine).choices, rates, price, lead_days=lead_days)


TIGHT = valve("A", passes=100_000)  # takes 2.500 to 2.550 mm
IN_BETWEEN = valve("B", passes=100_000, shim=2_700_000)  # takes 2.600 to 2.650 mm, so A's own does


def test_a_swap_a_bin_and_a_purchase():
    engine = problem(
        TIGHT,
        IN_BETWEEN,
        valve("C", passes=100_000, shim=3_000_000),
        lots=[(2_520_000, "used", 1)],
        catalogue=[2_920_000],
    )
    cost = cost_of(engine)
    assert cost.shims == 931  # 6.2050 + 3.1025 = 9.3075, rounded once
    assert cost.labour == 4_200  # three valves, ten minutes each, at 84 an hour
    assert cost.minutes == 30
    assert cost.bay_hours == 16
    assert cost.waiting == 40_000
    assert cost.total == 45_131
    assert cost.shown(cost.total) == "451.31 EUR"


def test_nothing_bought_nothing_waited_for():
    engine = problem(TIGHT, lots=[(2_520_000, "new", 1)])
    cost = cost_of(engine)
    assert (cost.waiting, cost.bay_hours) == (0, 0)
    assert cost.shims == 621  # 6.2050 lies half way and goes up


def test_a_shim_without_a_price_leaves_the_total_open():
    engine = problem(TIGHT, catalogue=[2_520_000])
    cost = cost_of(engine, price={"used": Decimal(1)}.get)
    assert (cost.shims, cost.unpriced, cost.total) == (None, 1, None)
    assert cost.labour == 1_400


def test_a_supplier_whose_time_nobody_knows_costs_no_waiting():
    assert cost_of(problem(TIGHT, catalogue=[2_520_000]), lead_days=None).waiting == 0


def test_valves_that_stay_cost_nothing_and_unresolved_ones_their_opening():
    assert cost_of(problem(valve("A", passes=170_000))).total == 0
    assert cost_of(problem(TIGHT)).labour == 1_400
    assert cost_of(problem(valve("A", passes=100_000, shim=None))).total == 0


@pytest.mark.parametrize(
    ("amount", "currency", "minor", "shown"),
    [
        ("0.005", "EUR", 1, "0.01"),
        ("0.0049999", "EUR", 0, "0.00"),
        ("1.5", "JPY", 2, "2"),
        ("2.5", "JPY", 3, "3"),
        ("0.0005", "KWD", 1, "0.001"),
        ("-0.005", "EUR", -1, "-0.01"),
        ("12.4", "USD", 1240, "12.40"),
    ],
)
def test_rounding_is_half_up_to_the_minor_unit(amount, currency, minor, shown):
    # Minor units as in ISO 4217: none for the yen, three decimals for the Kuwaiti dinar (from memory).
    assert to_minor(Decimal(amount), currency) == minor
    assert major(minor, currency) == shown


@given(st.fractions(-(10**9), 10**9, max_denominator=10**6), st.sampled_from(["EUR", "JPY", "KWD"]))
def test_rounding_is_never_more_than_half_a_unit_off(amount, currency):
    exact = amount * 10 ** MINOR_DIGITS[currency]
    assert abs(to_minor(amount, currency) - exact) <= Fraction(1, 2)


@given(st.decimals(-(10**9), 10**9, places=7))
def test_rounding_agrees_with_decimals_own(amount):
    want = amount.quantize(Decimal("0.01"), rounding=ROUND_HALF_UP)
    assert Decimal(to_minor(amount, "EUR")) == want * 100


@given(st.integers(-(10**15), 10**15), st.sampled_from(["EUR", "JPY", "KWD"]))
def test_what_is_shown_is_the_amount(minor, currency):
    assert to_minor(Decimal(major(minor, currency)), currency) == minor


@pytest.mark.parametrize("currency", ["eur", "EU", "EURO", "E1R", "ÄUR"])
def test_what_is_no_currency_is_refused(currency):
    with pytest.raises(ValueError, match="ISO 4217"):
        replace(RATES, currency=currency)


@pytest.mark.parametrize("rate", ["-1", "NaN", "Infinity"])
def test_a_rate_below_nothing_is_refused(rate):
    with pytest.raises(ValueError, match="0 or more"):
        replace(RATES, labour_per_hour=Decimal(rate))


def test_several_plans_together_are_known_where_each_is():
    one = cost_of(problem(TIGHT, lots=[(2_520_000, "new", 1)]))
    other = cost_of(problem(TIGHT, catalogue=[2_520_000]))
    both = together([one, other], "EUR")
    assert (both.shims, both.total) == (2 * 621, one.total + other.total)
    assert (both.minutes, both.bay_hours) == (20, 16)
    dark = cost_of(problem(TIGHT, catalogue=[2_520_000]), price=lambda condition: None)
    assert (together([one, dark], "EUR").shims, together([one, dark], "EUR").unpriced) == (None, 1)
    assert together([], "EUR").total == 0
