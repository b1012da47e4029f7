"""Query parameters, read strictly: unknown, repeated or malformed ones are refused (bar A11)."""

import re
import uuid
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.http import QueryDict

from inventory.compute.lengths import Length, LengthError, parse_text
from shop.errors import FieldError, Invalid

MOST_CHARACTERS = 100
# Parameters that together are a range: turned round nothing could lie in it.
RANGES = (
    ("from", "to", "before"),
    ("since", "until", "before"),
    ("thickness_min", "thickness_max", "thinner than"),
)
_SHARE = re.compile(r"0\.[0-9]{1,3}", re.ASCII)


class NotThatError(ValueError):
    """A value that a parameter does not take; the message says what it takes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class QueryParameter:
    """One parameter: its name, how its text is read, and what the document says of it."""

    name: str
    read: Callable[[str], Any]
    schema: dict[str, Any]
    description: str


def read_query(query: QueryDict, parameters: Sequence[QueryParameter]) -> dict[str, Any]:
    """Name -> value of what was given. Raises Invalid (code "invalid-query") naming all that is wrong."""
    known = {parameter.name: parameter for parameter in parameters}
    values: dict[str, Any] = {}
    errors: list[FieldError] = []
    for name, given in query.lists():
        parameter = known.get(name)
        if parameter is None:
            words = f"is not known here; known are: {', '.join(known) or 'none'}"
            errors.append(FieldError(f"?{_shown(name)}", words))
        elif len(given) > 1:
            errors.append(FieldError(f"?{name}", f"was given {len(given)} times; give it once"))
        else:
            try:
                values[name] = parameter.read(given[0])
            except (NotThatError, LengthError) as error:
                errors.append(FieldError(f"?{name}", str(error)))
    errors += [
        FieldError(f"?{last}", f"must not be {word} ?{first}")
        for first, last, word in RANGES
        if first in values and last in values and values[last] < values[first]
    ]
    if errors:
        words = "; ".join(f"{error.pointer} {error.detail.rstrip('.')}" for error in errors)
        raise Invalid(f"The query is wrong: {words}.", code="invalid-query", errors=errors)
    return values


def text(name: str, description: str, most: int = MOST_CHARACTERS) -> QueryParameter:
    """A short text, as it is."""

    def read(value: str) -> str:
        if not 1 <= len(value) <= most:
            raise NotThatError(f"takes 1 to {most} characters")
        return value

    schema = {"type": "string", "minLength": 1, "maxLength": most}
    return QueryParameter(name=name, read=read, schema=schema, description=description)


def choice(name: str, description: str, among: Iterable[str]) -> QueryParameter:
    """One of a few words."""
    words = tuple(among)

    def read(value: str) -> str:
        if value not in words:
            raise NotThatError(f"takes one of {', '.join(words)}")
        return value

    return QueryParameter(
        name=name, read=read, schema={"type": "string", "enum": list(words)}, description=description
    )


def identity(name: str, description: str) -> QueryParameter:
    """The id of something."""

    def read(value: str) -> uuid.UUID:
        try:
            found = uuid.UUID(value)
        except ValueError:
            found = None
        if found is None or str(found) != value.lower():
            raise NotThatError("takes an id such as 0190b0a0-0000-7000-8000-000000000000")
        return found

    schema = {"type": "string", "format": "uuid"}
    return QueryParameter(name=name, read=read, schema=schema, description=description)


def moment(name: str, description: str) -> QueryParameter:
    """A time by ISO 8601 with its offset."""

    def read(value: str) -> datetime:
        try:
            found = datetime.fromisoformat(value) if len(value) <= 40 else None
        except ValueError:
            found = None
        if found is None or found.tzinfo is None or not 2000 <= found.year <= 2200:
            raise NotThatError("takes a time with its offset, such as 2026-03-02T08:30:00Z")
        return found

    schema = {"type": "string", "format": "date-time"}
    return QueryParameter(name=name, read=read, schema=schema, description=description)


def whole(name: str, description: str, *, least: int, most: int) -> QueryParameter:
    """A whole number within these bounds, both included."""

    def read(value: str) -> int:
        digits = value.isascii() and value.isdigit() and len(value) <= 9
        if not digits or not least <= int(value) <= most:
            raise NotThatError(f"takes a whole number, at least {least:,} and at most {most:,}")
        return int(value)

    schema = {"type": "integer", "minimum": least, "maximum": most}
    return QueryParameter(name=name, read=read, schema=schema, description=description)


def share(name: str, description: str, *, least: str, most: str) -> QueryParameter:
    """A share as a decimal text of at most three decimals, within these bounds, both included."""

    def read(value: str) -> Decimal:
        if not _SHARE.fullmatch(value) or not Decimal(least) <= Decimal(value) <= Decimal(most):
            raise NotThatError(f"takes a share from {least} to {most}, such as 0.95")
        return Decimal(value)

    schema = {"type": "string", "pattern": r"^0\.[0-9]{1,3}$", "examples": ["0.95"]}
    return QueryParameter(name=name, read=read, schema=schema, description=description)


def instant(name: str, description: str) -> QueryParameter:
    """A moment with its offset from UTC, as RFC 3339 writes it."""

    def read(value: str) -> datetime:
        try:
            found = datetime.fromisoformat(value)
        except ValueError:
            found = None
        # Offsets reach beyond the first and the last year that there are.
        if found is None or found.tzinfo is None or not 1 < found.year < 9999:
            raise NotThatError("takes a moment with its offset, such as 2026-03-02T08:30:00Z")
        return found

    schema = {"type": "string", "format": "date-time"}
    return QueryParameter(name=name, read=read, schema=schema, description=description)


def length(
    name: str, description: str, plausible: Callable[[Length], Length] = lambda length: length
) -> QueryParameter:
    """A length as a text with its unit, such as 2.65mm; read as whole nanometres. `plausible`: the check of
    lengths.py that it must pass besides."""
    schema = {"type": "string", "pattern": r"^[0-9]*\.?[0-9]+ ?(mm|um|in|thou)$", "examples": ["2.65mm"]}
    return QueryParameter(
        name=name,
        read=lambda value: plausible(parse_text(value)).nm,
        schema=schema,
        description=description,
    )


def period(done: str) -> tuple[QueryParameter, QueryParameter]:
    """From when on and until when something was `done`: "from", "to"; the last moment is not in it."""
    return (
        instant("from", f"Only {done} then or later."),
        instant("to", f"Only {done} before then."),
    )


def given(query: Mapping[str, Any], columns: Mapping[str, str]) -> dict[str, Any]:
    """Column -> value, for `filter`, of those parameters of this table that the query has."""
    return {column: query[name] for name, column in columns.items() if name in query}


def _shown(name: str) -> str:
    return "".join(character if character.isprintable() else "?" for character in name[:40])
