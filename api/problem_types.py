"""Every kind of refusal that the API answers with: one table (problem_types.toml) for code, document, pages
and tests.

The address of a type, /api/problems/<code>, is its stable name (RFC 9457) and leads to a page about it.
"""

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

Retry = Literal["same key", "new key", "no"]
"""Whether sending the same request again can help: under the same Idempotency-Key, only under a new one
once the cause is gone, or not at all until the request is changed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProblemType:
    code: str
    status: int
    title: str
    retry: Retry
    meaning: str
    """What happened and what would be right, for the person who writes the program."""

    @property
    def address(self) -> str:
        return f"/api/problems/{self.code}"


def _table() -> dict[str, ProblemType]:
    rows = tomllib.loads(Path(__file__).with_suffix(".toml").read_text(encoding="utf-8"))
    return {
        code: ProblemType(code=code, **row | {"meaning": row["meaning"].replace("\n", " ")})
        for code, row in rows.items()
    }


PROBLEM_TYPES: dict[str, ProblemType] = _table()

# What an error that came without a code of ours is called, by its status.
CODE_OF_STATUS: dict[int, str] = {
    400: "bad-request",
    401: "unauthenticated",
    403: "forbidden",
    404: "not-found",
    405: "method-not-allowed",
    406: "not-acceptable",
    409: "conflict",
    411: "length-required",
    412: "stale-version",
    413: "too-large",
    415: "unsupported-media-type",
    422: "unprocessable",
    428: "precondition-required",
    429: "quota-exceeded",
    500: "internal",
    503: "busy",
}


def problem_type(code: str, status: int) -> ProblemType:
    """The type of this code; of an unknown one, the type that its status has by itself."""
    found = PROBLEM_TYPES.get(code)
    if found is not None:
        return found
    fallback = CODE_OF_STATUS.get(status) or ("bad-request" if status < 500 else "internal")
    return PROBLEM_TYPES[fallback]
