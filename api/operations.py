"""What a method declares about itself: permissions, checks and the API's document all read this record."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

from rest_framework.serializers import BaseSerializer

from api.deprecation import Deprecation
from api.queries import QueryParameter
from shop.roles import Action

Kind = Literal["list", "show", "stream", "file", "compute", "create", "act", "change"]

# Writes that change nothing, so that a repeat needs no protection: name of the operation -> why.
STATELESS: dict[str, str] = {
    "plan": "computes from what it is given and from stock as it is; changes nothing (DESIGN.md, The API)",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Operation:
    """One method of one address.

    name: the use case, which is also the operationId. summary: one line for the document. body: what a write
    takes, None for a read. answer: what is sent, where it is not what the address's view says. example: a
    body for the document. tells: a field of the answer to this write that no later answer has, a secret.
    later: what is made is a task that does the work afterwards. many: several things are made and answered
    as a list, which has no address of its own. media_types: of the file that is sent. deprecation: since when
    and until when it is answered although it is taken back; None for what stands. goes_by_state: a read
    that is refused where what it is about is in a state that has no such answer.
    """

    kind: Kind
    name: str
    action: Action
    summary: str
    body: type[BaseSerializer] | None = None
    answer: type[BaseSerializer] | None = None
    query: tuple[QueryParameter, ...] = ()
    example: Any = None
    tells: str = ""
    later: bool = False
    many: bool = False
    media_types: tuple[str, ...] = ()
    deprecation: Deprecation | None = None
    goes_by_state: bool = False

    @property
    def keeps_its_answer(self) -> bool:
        """A write that takes an Idempotency-Key."""
        return self.kind in ("create", "act", "change")

    @property
    def needs_if_match(self) -> bool:
        """An act on something that exists, or a change of it, names what the caller saw of it."""
        return self.kind in ("act", "change")

    @property
    def status(self) -> int:
        if self.kind != "create":
            return 200
        return 202 if self.later else 201


def operation_of(method: Callable[..., Any]) -> Operation | None:
    """What a view's method declared; None when it declared nothing."""
    return getattr(method, "operation", None)
