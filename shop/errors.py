"""What the shop refuses, and why: one root error with a stable code, translated once per entrance.

Services raise these; the API's exception handler turns them into problem documents, the pages' middleware
into plain sentences. Nothing between the two catches them.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class FieldError:
    """One wrong value. `pointer` is an RFC 6901 pointer into what was sent, "" for the whole of it."""

    pointer: str
    detail: str


class ShopError(Exception):
    """A refusal in the user's words.

    `code` is stable and kebab-case, `status` the HTTP status that an entrance should answer, `errors` the
    wrong values (empty when no single value is to blame), `extra` further JSON-able facts for a program.
    """

    code = "refused"
    status = 409

    def __init__(
        self,
        message: str,
        *,
        code: str | None = None,
        errors: Iterable[FieldError] = (),
        extra: Mapping[str, Any] | None = None,
    ) -> None:
        super().__init__(message)
        self.message = message
        if code is not None:
            self.code = code
        self.errors: list[FieldError] = list(errors)
        self.extra: dict[str, Any] = dict(extra or {})

    def __str__(self) -> str:
        return self.message


class Invalid(ShopError):
    """What was sent has the wrong form; `errors` says where."""

    code = "invalid"
    status = 400


class Forbidden(ShopError):
    """The person or key may not do this here."""

    code = "forbidden"
    status = 403


class NotFound(ShopError):
    """No such thing, or it belongs to another site, which is answered the same."""

    code = "not-found"
    status = 404


class Conflict(ShopError):
    """The state of things does not allow it."""

    code = "conflict"
    status = 409


class NotEnough(Conflict):
    """Fewer shims are available than were asked for; the lines that are short stand in `errors`."""

    code = "not-enough"


class WrongState(Conflict):
    """The job, hold or list is not in a state in which this step is possible."""

    code = "wrong-state"


class HoldExpired(Conflict):
    """The hold ran out, so its shims are free for others."""

    code = "hold-expired"


class StaleVersion(ShopError):
    """Somebody changed it since it was read."""

    code = "stale-version"
    status = 412


class Unprocessable(ShopError):
    """Well-formed, and yet it makes no sense: more fitted than was held, say."""

    code = "unprocessable"
    status = 422


class Busy(ShopError):
    """The database is locked, overloaded or away; the same request may succeed a moment later."""

    code = "busy"
    status = 503
