"""Bounds of a share that was counted: E. B. Wilson, "Probable inference, the law of succession, and
statistical inference", Journal of the American Statistical Association 22 (1927). Figures as in
R. G. Newcombe, "Two-sided confidence intervals for the single proportion", Statistics in Medicine 17 (1998),
table I, method 3 (score, without continuity correction), from memory; scipy's reckoning stands beside them.
"""

from fractions import Fraction

import pytest
from scipy.stats import binomtest

from jobs.compute.beforehand.certainty import hundredths, wilson

NEWCOMBE = [
    (81, 263, "0.2553", "0.3662"),
    (15, 148, "0.0624", "0.1605"),
    (0, 20, "0.0000", "0.1611"),
    (1, 29, "0.0061", "0.1718"),
]


@pytest.mark.parametrize(("count", "of", "low", "high"), NEWCOMBE)
def test_the_published_figures(count, of, low, high):
    assert tuple(f"{bound:.4f}" for bound in wilson(Fraction(count, of), of)) == (low, high)


@pytest.mark.parametrize("of", [1, 2, 3, 7, 20, 100])
def test_scipy_says_the_same(of):
    for count in range(of + 1):
        theirs = binomtest(count, of).proportion_ci(0.95, method="wilson")
        ours = wilson(Fraction(count, of), of)
        assert [float(bound) for bound in ours] == pytest.approx([theirs.low, theirs.high], abs=1e-12)


def test_whole_hundredths_are_drawn_apart():
    assert hundredths(wilson(Fraction(1, 29), 29)) == (Fraction(0), Fraction(18, 100))
    assert hundredths(wilson(Fraction(1), 1)) == (Fraction(20, 100), Fraction(1))


def test_nothing_counted_has_no_bounds():
    with pytest.raises(ValueError, match="nothing"):
        wilson(Fraction(0), 0)
