"""How many are enough, against what is published.

The law: of a stock of S whose every shim taken is ordered at once, a request is met when fewer than S came in
the replenishment time before it. G. J. Feeney and C. C. Sherbrooke, "The (S-1, S) inventory policy under
compound Poisson demand", Management Science 12 (1966) 391-411; W. J. Hopp and M. L. Spearman, "Factory
Physics", base stock model, whose example (demand of 10 in the lead time, Poisson) is used here from memory.
The cumulative Poisson probabilities are those that statistical tables print to four places, from memory.
Beside them stand exact sums: of fractions for the negative binomial, of fifty decimals for Poisson.
"""

from decimal import Decimal, localcontext
from fractions import Fraction
from math import comb, factorial

import pytest
from scipy.stats import nbinom, poisson

from inventory.compute.stockmix import chance, enough

# mean: P(0), P(at most 1), P(at most 2), …
TABLES = {
    1: "0.3679 0.7358 0.9197 0.9810 0.9963",
    2: "0.1353 0.4060 0.6767 0.8571 0.9473 0.9834 0.9955",
    5: "0.0067 0.0404 0.1247 0.2650 0.4405 0.6160 0.7622 0.8666 0.9319 0.9682",
}


@pytest.mark.parametrize(("mean", "table"), TABLES.items())
def test_cumulative_poisson_as_tables_print_it(mean, table):
    printed = table.split()
    assert [f"{chance(number, mean):.4f}" for number in range(1, len(printed) + 1)] == printed


def test_ten_asked_for_in_the_lead_time():
    """With 15 kept 91.7 in 100 are met, the first number that reaches 90; 16 are needed for 95."""
    assert f"{chance(15, 10):.3f}" == "0.917"
    assert (enough(10, 0.90), enough(10, 0.95)) == (15, 16)


@pytest.mark.parametrize("hundredths", [1, 7, 50, 100, 250, 1_000, 4_000])
def test_poisson_against_an_exact_sum(hundredths):
    mean = Fraction(hundredths, 100)
    with localcontext(prec=50):
        weight = (-Decimal(hundredths) / 100).exp()
        total = Decimal(0)
        for number in range(1, 60):
            below = mean ** (number - 1) / factorial(number - 1)
            total += weight * below.numerator / below.denominator
            assert chance(number, float(mean)) == pytest.approx(float(total), rel=1e-12)
            assert chance(number, float(mean)) == pytest.approx(poisson.cdf(number - 1, float(mean)))


@pytest.mark.parametrize("spread", [Fraction(3, 2), Fraction(2), Fraction(4)])
@pytest.mark.parametrize("failures", [1, 2, 7])
def test_negative_binomial_against_an_exact_sum(spread, failures):
    """Of `failures` failures at a chance of 1 / spread: mean failures × (spread − 1), variance spread times
    that."""
    p = 1 / spread
    terms = [comb(k + failures - 1, k) * p**failures * (1 - p) ** k for k in range(400)]
    mean = failures * (spread - 1)
    assert sum(k * term for k, term in enumerate(terms)) == pytest.approx(float(mean))
    assert sum(k * k * term for k, term in enumerate(terms)) == pytest.approx(float(spread * mean + mean**2))
    total = Fraction(0)
    for number in range(1, 40):
        total += terms[number - 1]
        said = chance(number, float(mean), float(spread))
        assert said == pytest.approx(float(total), rel=1e-11)
        assert said == pytest.approx(nbinom.cdf(number - 1, failures, float(p)))
        # The smallest number that reaches just less than its own chance is itself.
        assert enough(float(mean), said - 1e-9, float(spread)) == number or said > 1 - 1e-6
