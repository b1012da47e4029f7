"""The mix: how many of each size a drawer should hold, and of which far more lie there than will be asked
for.

Names
    protection time: from a look at the restock list to the day on which what it orders is here: the working
    days between two looks and the supplier's. service level: the share of requests that are met at once.

Promise
    Requests for a size within a time are Poisson; where they vary more than that (`spread` above 1), negative
    binomial with the same mean and that ratio of variance to mean, whatever the time. A request is met when
    fewer than the kept number were asked for within the protection time before it, so of each size the
    smallest number n is proposed for which P(fewer than n) reaches the service level. A size that is asked
    for less than once in ten years is not kept, and no more than its bins take is proposed. With the same
    spread, more demand never lowers a number; nor does more service. `beyond`: what lies there beyond that
    number and beyond the smallest one that lasts as many months as were asked to be looked back over; one
    single shim too many is not told.

Limits: sizes are looked at one by one, although a neighbour often does as well. With a spread above 1
requests come together, and somewhat fewer are met than is said.
"""

from inventory.compute.stockmix.level import chance, enough
from inventory.compute.stockmix.solve import Proposal, SizeFacts, Terms, propose

__all__ = ["Proposal", "SizeFacts", "Terms", "chance", "enough", "propose"]
