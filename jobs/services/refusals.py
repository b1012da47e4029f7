"""How the services of jobs say what was wrong with what was keyed in: every error at once, each by its
pointer."""

from collections.abc import Mapping, Sequence
from typing import Any

from django.db.models import Model

from inventory.services.texts import text_errors
from jobs.compute.shopplan.weights import MOST_PRIORITY
from jobs.models import JobValve
from shop.errors import FieldError, Invalid

MOST_NAMED = 50
# What is keyed by valve; there the valve says where to look.
BY_LABEL = frozenset({"readings", "shims", "adjust", "really", "valves"})


def pointer(*steps: str | int) -> str:
    """The RFC 6901 pointer to a value, e.g. "/readings/2-IN-L/passes"."""
    return "".join(f"/{str(step).replace('~', '~0').replace('/', '~1')}" for step in steps)


def refuse(errors: Sequence[FieldError], done: str) -> None:
    """Raise Invalid when there are errors; `done` says what was not done, e.g. "No reading was taken"."""
    if not errors:
        return
    named = list(errors[:MOST_NAMED])
    more = len(errors) - len(named)
    details = [f"{_what(error.pointer)}{error.detail.rstrip('.')}" for error in named]
    if more:
        details.append(f"and {more} more")
    raise Invalid(f"{done}: " + "; ".join(details) + ".", errors=named)


def _what(where: str) -> str:
    """What a sentence names before it says what was wrong: /readings/2-IN-L/passes -> "2-IN-L: ",
    /items/0/name -> "items 1, name: "."""
    first, *more = (step.replace("~1", "/").replace("~0", "~") for step in where.split("/")[1:])
    if first == "engine":
        return _what_of_engine(more)
    if first in BY_LABEL:
        return f"{more[0]}: " if more else ""
    if more and more[0].isdecimal():
        more[0] = f"{int(more[0]) + 1},"
    return " ".join([first.replace("_", " "), *more]).rstrip(",") + ": "


def _what_of_engine(steps: Sequence[str]) -> str:
    """Of an engine that is keyed with its job: [] -> "", valves, 1, spec -> "valve 2, spec: "."""
    if len(steps) > 1 and steps[0] == "valves":
        return ", ".join([f"valve {int(steps[1]) + 1}", *steps[2:]]).replace("_", " ") + ": "
    return " ".join(steps).replace("_", " ") + ": " if steps else ""


def unknown_valves(
    root: str, keyed: Mapping[str, Any], valves: Mapping[str, JobValve], nothing: str
) -> list[FieldError]:
    """An error for every label that the engine does not have, and one when nothing was keyed at all."""
    if not keyed:
        return [FieldError(f"/{root}", nothing)]
    known = ", ".join(valves)
    return [
        FieldError(pointer(root, label), f"the engine has no such valve, it has {known}")
        for label in keyed
        if label not in valves
    ]


def text_faults(model: type[Model], **texts: str) -> list[FieldError]:
    """An error for every text that does not fit the model's field of the same name."""
    return [error for name, text in texts.items() for error in text_errors(model, name, text, pointer(name))]


def bad_priority(priority: int) -> list[FieldError]:
    """An error for a priority that is none."""
    if 0 <= priority <= MOST_PRIORITY:
        return []
    return [FieldError("/priority", f"must be from 0 to {MOST_PRIORITY}")]
