"""For how long shims have lain in a place that should drain: tray, in transit, inspection, receiving.

Promise
    Shims are taken to leave in the order in which they came (first in, first out), so what is left is what
    came last, and its age is that of the oldest arrival among it.
"""

from collections.abc import Iterable
from datetime import datetime


def oldest_left(on_hand: int, arrivals: Iterable[tuple[datetime, int]]) -> datetime | None:
    """When the oldest of the `on_hand` shims that are left came; `arrivals` newest first, each with how many.

    None when nothing is left, or when fewer came than are left (the books are incomplete).
    """
    uncovered = on_hand
    for at, quantity in arrivals:
        if uncovered <= 0:
            break
        uncovered -= quantity
        if uncovered <= 0:
            return at
    return None
