"""The chance that a number suffices, and the smallest number that does often enough."""

import scipy


def chance(number: int, mean: float, spread: float = 1.0) -> float:
    """P(fewer than `number` are asked for), of so many on average. spread: variance over mean, at least 1."""
    if number <= 0:
        return 0.0
    if mean <= 0:
        return 1.0
    if spread <= 1:
        return float(scipy.special.pdtr(number - 1, mean))
    # The cumulative negative binomial of mean / (spread - 1) failures at a chance of 1 / spread.
    return float(scipy.special.betainc(mean / (spread - 1), number, 1 / spread))


def enough(mean: float, service: float, spread: float = 1.0) -> int:
    """The smallest number whose chance reaches `service` (above 0, below 1); 0 where nothing is asked for."""
    if not 0 < service < 1:
        raise ValueError(f"a service level lies between 0 and 1; {service} does not")
    if mean <= 0:
        return 0
    most = 1
    while chance(most, mean, spread) < service:
        most *= 2
    least = most // 2
    while most - least > 1:
        middle = (least + most) // 2
        if chance(middle, mean, spread) < service:
            least = middle
        else:
            most = middle
    return most
