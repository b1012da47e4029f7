"""Many rows in one act: all of them or none, and a refusal names every row that is wrong."""

from collections.abc import Iterable, Sequence
from typing import Any

from inventory.services.texts import in_words
from shop.errors import FieldError

MOST_ROWS = 500
# A sentence of more than these nobody reads; `errors` has them all.
MOST_SAID = 5


def number_faults(rows: Sequence[Any]) -> list[FieldError]:
    """An error where there are no rows or too many."""
    if 1 <= len(rows) <= MOST_ROWS:
        return []
    return [FieldError("/rows", f"send 1 to {MOST_ROWS} rows at once; these are {len(rows)}")]


def in_row(number: int, faults: Iterable[FieldError]) -> list[FieldError]:
    """The faults of one row, counted from 0, as they stand in the request: /note -> /rows/3/note."""
    return [FieldError(f"/rows/{number}{fault.pointer}", fault.detail) for fault in faults]


def row_in_words(number: int) -> str:
    """A row, counted from 0, for a sentence, also of somebody who counts from 1."""
    return f"row {number + 1} (/rows/{number})"


def rows_in_words(outcome: str, errors: Sequence[FieldError]) -> str:
    """A sentence or two of the first few errors and how many more there are."""
    words = in_words(outcome, errors[:MOST_SAID])
    more = len(errors) - MOST_SAID
    return f"{words} And {more} more." if more > 0 else words
