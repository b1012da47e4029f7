"""What to buy, of which size, from whom, in which packs: the least total cost, proven.

Promise
    `choose` serves as many needs as what is on offer allows and, among all ways to do so, gives one of least
    total: goods, delivery fees, bays that wait (hours in which the shop is open, at the shop's cost per bay
    hour, for the last of a job's needs), sizes other than the plan's, less what is left over of packs at what
    stock of that size is worth. `bound` says below which total none exists; `proven` that this is it.
    `verify` re-checks a choice against its problem and shares no code with what made it.

    Prices, minimums and free delivery are in the supplier's currency, the total in the shop's, at the rates
    given. Amounts are exact; they are rounded to minor units (compute.money) only on documents, line by line,
    which the choice does not regard: it is half a minor unit a line at most.

Limits
    A locked line stays as it is; where every line of a supplier is locked, its minimum is not asked for.
    Deliveries come at one time per offer; suppliers are taken to have what they offer.

The way
    types, calendar -> supply (what is on offer, what serves nothing) -> model (an integer program) -> solve
    (HiGHS; the flow made whole) -> records (every figure anew) -> explain (sentences). verify stands apart;
    greedy holds what a choice is compared with.
"""

from inventory.compute.purchase.calendar import LeadTime, OpeningHours, arrival, days_taken, open_hours
from inventory.compute.purchase.explain import Explained, explain
from inventory.compute.purchase.greedy import cheapest_each, each_alone
from inventory.compute.purchase.solve import NotSolvedError, choose
from inventory.compute.purchase.types import (
    Break,
    Choice,
    Figures,
    Given,
    Line,
    Offered,
    Order,
    Problem,
    Size,
    Terms,
    Unmet,
    Wait,
    Wanted,
)
from inventory.compute.purchase.verify import verify

__all__ = [
    "Break",
    "Choice",
    "Explained",
    "Figures",
    "Given",
    "LeadTime",
    "Line",
    "NotSolvedError",
    "Offered",
    "OpeningHours",
    "Order",
    "Problem",
    "Size",
    "Terms",
    "Unmet",
    "Wait",
    "Wanted",
    "arrival",
    "cheapest_each",
    "choose",
    "days_taken",
    "each_alone",
    "explain",
    "open_hours",
    "verify",
]
