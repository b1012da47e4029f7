"""What is sent and what is taken, by the serializers that describe it.

One serializer of a kind serves for all requests. The framework means one to be made for each, and makes each
of its fields anew by copying, which took longer than to fill them; what ours do with a thing or a body does
not depend on what the serializer was made with, so that none is ever left with another request's.
"""

import functools
from collections.abc import Iterable
from typing import Any

from rest_framework.exceptions import ValidationError
from rest_framework.serializers import BaseSerializer


def sent(shape: type[BaseSerializer], thing: Any) -> Any:
    """The thing as it is sent."""
    return _one(shape).to_representation(thing)


def sent_all(shape: type[BaseSerializer], things: Iterable[Any]) -> list[Any]:
    """The things as they are sent, in their order."""
    one = _one(shape)
    return [one.to_representation(thing) for thing in things]


def taken(shape: type[BaseSerializer], data: Any) -> Any:
    """What was sent, checked. Raises the framework's ValidationError."""
    try:
        return _one(shape).run_validation(data)
    except ValidationError as wrong:
        if isinstance(wrong.detail, list):
            # What is wrong with the whole the framework tells under a name of its own.
            shape(data=data).is_valid(raise_exception=True)
        raise


@functools.cache
def _one(shape: type[BaseSerializer]) -> BaseSerializer:
    return shape()
