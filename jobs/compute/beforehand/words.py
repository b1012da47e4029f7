"""What a look ahead says, in sentences."""

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from inventory.compute.lengths import show
from jobs.compute.beforehand.types import Ahead, Cases, Size

Basis = Literal["vehicle", "type"]
FEW = 5
"""Below so many engines the figures rest on little."""
MOST_NAMED = 6
"""Sizes that one sentence names at most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What the figures rest on. basis: "vehicle" for changes between visits, else "type". last_visit: such as
    "Job 12 on 3 March 2026"; "" for an engine that was not set right here. named: the engine type in words;
    "" for an engine in no list."""

    basis: Basis
    named: str
    last_visit: str = ""


def sentences(told: Told, cases: Cases, ahead: Ahead) -> tuple[str, ...]:
    """The answer first, then what is missing, what to order, and what it rests on."""
    if not ahead.cases:
        return _nothing(told, cases)
    said = [_chance(ahead)]
    if ahead.unresolved:
        said.append(
            f"In {_of(ahead.unresolved, ahead.cases)} no size that is made would do for some valve: such an "
            "engine wants a look by someone qualified."
        )
    said += _sizes(ahead)
    said += _order(ahead)
    said += _basis(told, cases, ahead)
    return tuple(said)


def percent(share: Fraction) -> str:
    """A share as whole hundredths, half up; never all or nothing where it is not."""
    rounded = int(share * 100 + Fraction(1, 2))
    if 0 < share < 1:
        rounded = min(max(rounded, 1), 99)
    return f"{rounded} %"


def _nothing(told: Told, cases: Cases) -> tuple[str, ...]:
    if not told.named:
        return ("Its engine is in no list, so no past engine is like it: look at the drawer yourself.",)
    if cases.left_out:
        return (
            f"No past {told.named} was read whole here ({cases.left_out} in part): "
            "look at the drawer yourself.",
        )
    return (f"No past {told.named} was set right here yet: look at the drawer yourself.",)


def _chance(ahead: Ahead) -> str:
    chance, low, high = ahead.chance, ahead.low, ahead.high
    if chance is None or low is None or high is None:
        raise ValueError("without a case there is no chance to tell")
    return (
        f"In {_of(ahead.done, ahead.cases)} nothing has to be bought: {percent(chance)}. "
        f"From {_engines(ahead.rest_on)}, so the true figure may lie "
        f"anywhere from {percent(low)} to {percent(high)}."
    )


def _sizes(ahead: Ahead) -> list[str]:
    said = []
    for state, words in (
        ("missing", "Not in the building"),
        ("short", "Too few that would fit"),
        ("last", "Down to the last one"),
    ):
        rows = [row for row in ahead.sizes if row.state == state]
        if rows:
            said.append(f"{words}: {_named(rows, ahead.cases)}.")
    return said


def _named(rows: list[Size], cases: int) -> str:
    named = [f"{show(row.size_nm)} mm (wanted in {row.wanted} of {cases})" for row in rows[:MOST_NAMED]]
    more = len(rows) - MOST_NAMED
    return ", ".join(named) + (f" and {more} more" if more > 0 else "")


def _order(ahead: Ahead) -> list[str]:
    rows = sorted((row for row in ahead.sizes if row.order), key=lambda row: row.size_nm)
    if rows:
        what = ", ".join(f"{row.order} × {show(row.size_nm)} mm" for row in rows)
        return [
            f"Order today: {what}. With that and what is coming, nothing more has to be bought in "
            f"{_of(ahead.with_order, ahead.cases)}."
        ]
    if ahead.done + ahead.unresolved == ahead.cases:
        return ["Nothing is to be ordered for it."]
    if ahead.with_order > ahead.done:
        return [
            "What is lacking is coming: with it nothing has to be bought in "
            f"{_of(ahead.with_order, ahead.cases)}."
        ]
    return ["No single size is lacking often enough to be ordered before the readings are in."]


def _basis(told: Told, cases: Cases, ahead: Ahead) -> list[str]:
    if told.basis == "vehicle":
        said = [
            f"It was last set right here in {told.last_visit}; since then it is taken to have changed as "
            f"engines of its type did between two visits ({ahead.rest_on} such "
            f"change{'' if ahead.rest_on == 1 else 's'})."
        ]
    elif told.last_visit:
        said = [
            f"It was set right here in {told.last_visit}, but no engine of its type was read whole at two "
            "visits yet, so it is taken to be like those that came in."
        ]
    else:
        said = [f"It is taken to be like the past engines of type {told.named} as they came in."]
    if ahead.cases > ahead.rest_on:
        said.append(
            "Where a shim of it was never measured, thicknesses that were found in such engines stand in for "
            "it: each change makes several cases."
        )
    if ahead.rest_on < FEW:
        said.append("That is little to go by: look at the drawer yourself as well.")
    if cases.left_out:
        said.append(f"{cases.left_out} more could not be used: not read whole.")
    if cases.said_nothing_of:
        said.append(f"Not read last time, so nothing is said of: {', '.join(cases.said_nothing_of)}.")
    return said


def _of(count: int, cases: int) -> str:
    return f"{count} of {cases} case{'' if cases == 1 else 's'}"


def _engines(count: int) -> str:
    return "one past engine" if count == 1 else f"{count} past engines"
