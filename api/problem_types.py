"""Every kind of refusal that the API answers with: one table for code, documents, pages and tests.

The address of a type, /api/problems/<code>, is its stable name (RFC 9457) and leads to a page about it.
"""

from dataclasses import dataclass
from typing import Literal

Retry = Literal["same key", "new key", "no"]
"""Whether sending the same request again can help: under the same Idempotency-Key, only under a new one
once the cause is gone, or not at all until the request is changed."""


@dataclass(frozen=True, slots=True)
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


_ALL = (
    # --- The request cannot be read ---
    ProblemType(
        "bad-request",
        400,
        "Bad request",
        "no",
        "The request line, the host name or a header cannot be used.",
    ),
    ProblemType(
        "invalid-json",
        400,
        "The body is not acceptable JSON",
        "no",
        "The body is one JSON value in UTF-8: no name twice in one object, no NaN or Infinity, no "
        "number of more than 15 digits, no NUL character, no half of a surrogate pair, nothing "
        "nested more than 32 deep.",
    ),
    ProblemType(
        "invalid",
        400,
        "Some values are wrong",
        "no",
        "`errors` names each wrong value by a JSON pointer and says what would be right. Fields "
        "that the document does not name are refused too.",
    ),
    ProblemType(
        "invalid-query",
        400,
        "The query is wrong",
        "no",
        "A query parameter is unknown, given twice or has a wrong value; `errors` names it.",
    ),
    ProblemType(
        "key-in-address",
        400,
        "The key stands in the address",
        "no",
        "A key belongs into the Authorization header. Addresses end up in logs: have this key revoked.",
    ),
    ProblemType(
        "bad-cursor",
        400,
        "The cursor is not good here",
        "no",
        "A cursor continues the same list with the same filters under the same credential. Begin "
        "again without one.",
    ),
    ProblemType(
        "idempotency-key-missing",
        400,
        "Idempotency-Key is missing",
        "no",
        "Every write takes an Idempotency-Key header: a string of your own making, new for each "
        "act, the same for each repeat of that act. The answer is kept for at least 24 hours; a "
        "repeat gets it again.",
    ),
    ProblemType(
        "idempotency-key-invalid",
        400,
        "Idempotency-Key is not usable",
        "no",
        'The key is 1 to 255 visible ASCII characters, bare (abc-1) or in quotes ("abc-1").',
    ),
    # --- Who asks ---
    ProblemType(
        "unauthenticated",
        401,
        "A key or a log-in is needed",
        "no",
        "Send `Authorization: Bearer <key>`, or log in to the pages.",
    ),
    ProblemType(
        "invalid-key",
        401,
        "The key is not good",
        "no",
        "There is no such key, or it was revoked, has expired, or its person may no longer log in.",
    ),
    ProblemType(
        "forbidden",
        403,
        "Not allowed",
        "no",
        "The role of the person, or of the person in whose name the key acts, does not include this.",
    ),
    ProblemType(
        "insufficient-scope",
        403,
        "The key's scopes do not include this",
        "no",
        "`scopes` names those of which the key would need one.",
    ),
    ProblemType(
        "csrf",
        403,
        "The CSRF token is missing or wrong",
        "no",
        "A log-in session writes only with the X-CSRFToken header of its pages. A key needs no token.",
    ),
    ProblemType(
        "https-required",
        403,
        "HTTPS only",
        "no",
        "The API is not spoken in clear: the key has been seen by others now, have it revoked.",
    ),
    # --- What is asked for ---
    ProblemType(
        "not-found",
        404,
        "No such thing",
        "no",
        "There is no such address, or no such thing at the sites that this credential sees.",
    ),
    ProblemType(
        "method-not-allowed",
        405,
        "Method not allowed",
        "no",
        "The Allow header names the methods.",
    ),
    ProblemType(
        "not-acceptable",
        406,
        "Only JSON is answered",
        "no",
        "Accept application/json.",
    ),
    ProblemType(
        "length-required",
        411,
        "Content-Length is missing",
        "no",
        "Send the body with its length, not in chunks.",
    ),
    ProblemType(
        "too-large",
        413,
        "The body is too large",
        "no",
        "A body has at most 1 MiB (1,048,576 bytes).",
    ),
    ProblemType(
        "unsupported-media-type",
        415,
        "Only JSON is taken",
        "no",
        "Send Content-Type: application/json, in UTF-8.",
    ),
    # --- The state of things ---
    ProblemType(
        "precondition-required",
        428,
        "If-Match is missing",
        "no",
        "An act on something that exists names, in If-Match, the ETag of what the caller saw.",
    ),
    ProblemType(
        "stale-version",
        412,
        "It was changed meanwhile",
        "new key",
        "Somebody changed it since it was read. Read it again, decide again, and send its new ETag.",
    ),
    ProblemType(
        "conflict",
        409,
        "The state of things does not allow it",
        "new key",
        "See `detail`. The refusal sticks to its Idempotency-Key: once the cause is gone, ask "
        "again under a new one.",
    ),
    ProblemType(
        "refused",
        409,
        "Refused",
        "new key",
        "A rule of the shop does not allow it; see `detail`.",
    ),
    ProblemType(
        "not-enough",
        409,
        "Not enough shims are available",
        "new key",
        "Nothing was held or moved. `errors` names each line that falls short and how many are "
        "available. Plan again, then ask under a new Idempotency-Key.",
    ),
    ProblemType(
        "wrong-state",
        409,
        "Not possible in this state",
        "new key",
        "The job, hold or list is not in a state in which this step is possible; `detail` says "
        "what would be.",
    ),
    ProblemType(
        "hold-expired",
        409,
        "The hold has expired",
        "new key",
        "Its time is over and its shims are free for others. Hold them again.",
    ),
    ProblemType(
        "already-reversed",
        409,
        "The movement was reversed already",
        "no",
        "A movement is reversed once.",
    ),
    ProblemType(
        "in-flight",
        409,
        "The first request is still being worked on",
        "same key",
        "Another request under the same Idempotency-Key has not been answered yet. Wait as Retry- "
        "After says and repeat it.",
    ),
    ProblemType(
        "unprocessable",
        422,
        "It makes no sense together",
        "no",
        "Each value is well-formed, and together they cannot be: more fitted than was held, say.",
    ),
    ProblemType(
        "idempotency-key-reused",
        422,
        "The Idempotency-Key was used for something else",
        "no",
        "The same key came with another method, address or body. A new act takes a new key.",
    ),
    ProblemType(
        "quota-exceeded",
        429,
        "Too many requests",
        "same key",
        "Wait as Retry-After says. The RateLimit and RateLimit-Policy headers of every answer say "
        "how many requests are left.",
    ),
    # --- Our side ---
    ProblemType(
        "internal",
        500,
        "Something went wrong inside",
        "same key",
        "It is ours, not yours, and it is logged under the id in `instance`. Nothing was changed.",
    ),
    ProblemType(
        "busy",
        503,
        "Busy",
        "same key",
        "The database is locked, overloaded or away for a moment; nothing was changed. Wait as "
        "Retry-After says.",
    ),
)

PROBLEM_TYPES: dict[str, ProblemType] = {kind.code: kind for kind in _ALL}

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
