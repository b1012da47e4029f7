"""JSON pointers (RFC 6901) to what was wrong in a body."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from shop.errors import FieldError, ShopError


def pointer(*steps: str | int) -> str:
    """The pointer with these steps from the top of the body; "" for the whole of it."""
    return "".join("/" + str(step).replace("~", "~0").replace("/", "~1") for step in steps)


def errors_of(detail: Any) -> list[FieldError]:
    """The framework's nested error lists and maps as flat errors with pointers, in a fixed order."""
    return list(_flat(detail, ()))


@contextmanager
def as_sent(fields: Mapping[str, str]) -> Iterator[None]:
    """A service's refusals inside name what stands in the body: service's pointer -> the body's."""
    try:
        yield
    except ShopError as refusal:
        refusal.errors = [
            FieldError(fields.get(error.pointer, error.pointer), error.detail) for error in refusal.errors
        ]
        raise


def _flat(detail: Any, steps: tuple[str | int, ...]) -> Iterator[FieldError]:
    if isinstance(detail, Mapping):
        for name, inner in detail.items():
            # The framework's name for errors that belong to the object itself.
            yield from _flat(inner, steps if name == "non_field_errors" else (*steps, name))
    elif isinstance(detail, list | tuple):
        for index, inner in enumerate(detail):
            nested = isinstance(inner, Mapping | list | tuple)
            yield from _flat(inner, (*steps, index) if nested else steps)
    else:
        yield FieldError(pointer(*steps), str(detail))
