"""How sure a share is that was counted on a few."""

from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal, localcontext
from fractions import Fraction

_Z = Decimal("1.959963984540054")
"""The normal distribution's 97.5 % quantile: bounds that hold in 95 of 100 cases."""
_HUNDREDTH = Decimal("0.01")


def wilson(share: Fraction, counted: int) -> tuple[Decimal, Decimal]:
    """Wilson's score interval (1927), without continuity correction, at 95 %, for a share that was seen among
    `counted` independent ones. Raises ValueError when nothing was counted."""
    if counted < 1:
        raise ValueError("a share of nothing has no bounds")
    with localcontext() as context:
        context.prec = 28
        p, n = Decimal(share.numerator) / Decimal(share.denominator), Decimal(counted)
        z2 = _Z * _Z
        middle = (p + z2 / (2 * n)) / (1 + z2 / n)
        half = _Z / (1 + z2 / n) * (p * (1 - p) / n + z2 / (4 * n * n)).sqrt()
        return max(middle - half, Decimal(0)), min(middle + half, Decimal(1))


def hundredths(bounds: tuple[Decimal, Decimal]) -> tuple[Fraction, Fraction]:
    """The bounds in whole hundredths, drawn apart so that they still hold."""
    low, high = bounds
    return (
        Fraction(low.quantize(_HUNDREDTH, ROUND_FLOOR)),
        Fraction(high.quantize(_HUNDREDTH, ROUND_CEILING)),
    )
