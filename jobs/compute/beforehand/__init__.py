"""Before the cover comes off: has the building what this engine will most likely take?

Promise
    Nothing is assumed about how engines wear. Each case is a whole engine that was really read here: how one
    of the type was found (`cases_of_type`), or, for an engine that was set right here before, what it was
    left with, changed as one of the type really changed between two visits (`cases_of_engine`). The valves of
    one engine stay together. `look_ahead` plans every case with the planner that plans jobs, from what is
    available and what can be bought. The chance is the share of cases with nothing to buy and no valve left
    without a shim; more stock never lowers it. Its bounds are Wilson's score interval for the engines that
    the cases rest on. The same input gives the same answer, and without a case there is no figure at all.

Limits
    Changes are not scaled by time or distance: what the history holds is what is expected. A later reading of
    0 counts as a change of what was there before, which it was at least. A valve that needs a change and
    whose shim nobody measured takes its thickness from those found in such engines on its side, in turn.
    Shims were mostly measured where a valve was out of spec, so swaps are rather under-counted.

The way: types -> cases (what may be found) -> ahead (each case planned, and counted) -> words.
"""

from jobs.compute.beforehand.ahead import ORDER_FROM, look_ahead
from jobs.compute.beforehand.cases import cases_of_engine, cases_of_type, change_between
from jobs.compute.beforehand.certainty import wilson
from jobs.compute.beforehand.types import (
    Ahead,
    Cases,
    Change,
    Engine,
    Found,
    PastEngine,
    Position,
    Size,
    SizeState,
)
from jobs.compute.beforehand.words import Basis, Told, percent, sentences

__all__ = [
    "ORDER_FROM",
    "Ahead",
    "Basis",
    "Cases",
    "Change",
    "Engine",
    "Found",
    "PastEngine",
    "Position",
    "Size",
    "SizeState",
    "Told",
    "cases_of_engine",
    "cases_of_type",
    "change_between",
    "look_ahead",
    "percent",
    "sentences",
    "wilson",
]
