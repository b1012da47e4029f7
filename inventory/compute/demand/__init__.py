"""What was really asked of the drawers, by made size: read off the ledger, lent between neighbours.

Promise
    `taken`: a shim counts when it went into an engine and came from a drawer or was bought for the job: every
    new one; a used one that left a drawer for the same job, or went from the drawer into the engine. It
    counts at the made size nearest to its thickness, the one that it stood in for. What came out of an engine
    and went into one again (a swap) counts nothing, nor what was handed out and came back.
    `smoothed`: of n shims of a size, 2n / (n + 2) count for the sizes beside it: two thirds of a single one,
    never two of many. A third of that goes to each neighbour, a sixth to each of those two steps away, and
    what would fall off the end of the range stays. The sum is kept exactly, and one more shim taken lowers no
    size.
    `spread`: how much more the counts of four weeks vary than chance alone would have them: the sum of the
    sizes' variances over the sum of their means, to the hundredth, never below 1.

Limits: a used shim that went on to another job's tray before it was fitted counts nothing, nor one handed out
before the first line that is given.
"""

from inventory.compute.demand.sizes import smoothed, spread
from inventory.compute.demand.taken import DAYS_A_MONTH, Line, Taken, Window, taken, window

__all__ = ["DAYS_A_MONTH", "Line", "Taken", "Window", "smoothed", "spread", "taken", "window"]
