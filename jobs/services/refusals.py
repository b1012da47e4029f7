"""How the services of jobs say what was wrong with what was keyed in: every error at once, each by its
pointer."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from jobs.models import JobValve
from shop.errors import FieldError, Invalid

MOST_NAMED = 50


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
    """The valve's label in front of what is said of it: /readings/2-IN-L/passes -> "2-IN-L: "."""
    steps = where.split("/")
    return f"{steps[2].replace('~1', '/').replace('~0', '~')}: " if len(steps) > 2 else ""


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


def too_long(fields: Iterable[tuple[str, str, int]]) -> list[FieldError]:
    """An error for every text (name, text, most characters) that is longer than its column."""
    return [
        FieldError(pointer(name), f"has {len(text)} characters; at most {most} are kept")
        for name, text, most in fields
        if len(text) > most
    ]
