"""Pages by cursor (bar A7): every row that is there throughout is seen once, whatever comes and goes.

A list is ordered by fields that never change and that together are unique. The cursor holds the last row's,
signed together with whose list it is and under which filters: it is good for nothing else.
"""

import json
import operator
import uuid
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime
from hashlib import sha256
from typing import Any, NamedTuple

from django.core import signing
from django.db.models import Q, QuerySet

from shop.errors import Invalid

USUAL, MOST = 50, 200
_SALT = "coldgap.api.cursor"


Found = Callable[[list[Any] | None, int], list[Any]]
"""Rows of a list that is worked out a page at a time: given what the last row seen had in the fields of the
order (None at the beginning) and how many are wanted, so many of those behind it, in the list's order."""


class Page(NamedTuple):
    rows: list[Any]
    next_cursor: str | None


def page_of(
    rows: QuerySet[Any] | list[Any] | Found,
    order: Sequence[str],
    *,
    limit: int,
    cursor: str | None,
    belongs_to: Mapping[str, Any],
) -> Page:
    """One page of `rows` in this order ("-" before a field: falling).

    `rows` may be a list that was worked out; every field of its order is then rising, or every one falling.
    `belongs_to`: what the cursor is bound to: whose list, which address, which filters. Raises Invalid (code
    "bad-cursor") for a cursor that is not of this list.
    """
    binding = sha256(json.dumps(belongs_to, sort_keys=True, default=str).encode()).hexdigest()[:16]
    last_seen = None if cursor is None else _opened(cursor, binding)
    left: Any
    if callable(rows):
        left = rows(last_seen, limit + 1)
    elif isinstance(rows, list):
        falling = order[0].startswith("-")
        beyond = operator.lt if falling else operator.gt
        left = [row for row in rows if last_seen is None or beyond(_values(row, order), last_seen)]
        # By the comparison that cursors go by: a database may have texts in the order of some language.
        left.sort(key=lambda row: _values(row, order), reverse=falling)
    else:
        left = rows.order_by(*order)
        if last_seen is not None:
            left = left.filter(_after(order, last_seen))
    found = list(left[: limit + 1])
    if len(found) <= limit:
        return Page(found, None)
    found = found[:limit]
    last = [_plain(value) for value in _values(found[-1], order)]
    return Page(found, _signer().sign_object([binding, last]))


def _signer() -> signing.Signer:
    # Without a time in it: the same page is the same bytes, and has the same ETag.
    return signing.Signer(salt=_SALT)


def _after(order: Sequence[str], values: Sequence[Any]) -> Q:
    """Rows behind this one: greater in the first field, or equal there and greater in the second, …"""
    first = order[0]
    # Said once more of the first field alone: an index leads straight there, past what was seen before.
    bound = Q(**{f"{first.removeprefix('-')}__{'lte' if first.startswith('-') else 'gte'}": values[0]})
    condition, equal = Q(), Q()
    for field, value in zip(order, values, strict=True):
        name = field.removeprefix("-")
        beyond = "lt" if field.startswith("-") else "gt"
        condition |= equal & Q(**{f"{name}__{beyond}": value})
        equal &= Q(**{name: value})
    return bound & condition


def _opened(cursor: str, binding: str) -> list[Any]:
    try:
        bound_to, last = _signer().unsign_object(cursor)
        if bound_to != binding:
            raise ValueError("another list's")
        return [_typed(value) for value in last]
    except (signing.BadSignature, ValueError, TypeError) as error:
        raise Invalid(
            "This cursor is not one of this list with these filters. Begin again without it.",
            code="bad-cursor",
        ) from error


def _values(row: Any, order: Sequence[str]) -> list[Any]:
    return [_value(row, field) for field in order]


def _value(row: Any, field: str) -> Any:
    if isinstance(row, Mapping):
        return row[field.removeprefix("-")]
    for step in field.removeprefix("-").split("__"):
        row = getattr(row, step)
    return row


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return {"at": value.isoformat()}
    if isinstance(value, date):
        return {"on": value.isoformat()}
    if isinstance(value, uuid.UUID):
        return {"id": str(value)}
    return value


_READ = {"at": datetime.fromisoformat, "on": date.fromisoformat, "id": uuid.UUID}


def _typed(value: Any) -> Any:
    if isinstance(value, dict):
        kind, text = value.popitem()
        return _READ[kind](text)
    return value
