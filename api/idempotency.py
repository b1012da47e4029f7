"""Idempotency-Key: a write happens once, however often it is sent (bars A4, L9 to L11).

The answer is kept in the transaction that has the effect, so that neither is there without the other and a
worker that dies leaves nothing behind. Answers that depend on the state of things stick to the key, refusals
too. Refusals of form, access and rate are not kept.

Two at once: on PostgreSQL a lock that lives as long as the transaction sends the second away (409,
Retry-After); on SQLite the second waits for the write lock and then finds the first one's answer.
"""

import hashlib
import json
import re
from collections.abc import Callable
from datetime import datetime
from typing import Any

from django.db import DEFAULT_DB_ALIAS, connections
from django.http import HttpResponse
from rest_framework.request import Request

from api.models import KeptAnswer
from api.uploads import sense_of
from shop.db import write_transaction
from shop.db.written import Written, insert
from shop.errors import Conflict, Invalid, ShopError
from shop.sealing import UnreadableSeal, seal, unseal

MOST_CHARACTERS = 255
KEPT_HEADERS = ("Content-Type", "Location", "ETag")
REPLAYED = "Idempotency-Replayed"
_SEALED_FOR = "kept answers"
_bare = re.compile(r"[\x21\x23-\x7e][\x21-\x7e]{0,254}").fullmatch
_quoted = re.compile(r'"((?:[\x21\x23-\x5b\x5d-\x7e]|\\["\\])*)"').fullmatch


class InFlight(Conflict):
    """The first request under this key has not been answered yet."""

    code = "in-flight"


class KeyReused(ShopError):
    """The key came with another method, address or body before."""

    code = "idempotency-key-reused"
    status = 422


def read_key(header: str | None) -> str:
    """The key, whether it was sent bare or as a structured-field string in quotes. Raises Invalid."""
    if header is None:
        raise Invalid(
            "Send an Idempotency-Key with each write: a string of your own, new for each act. "
            "See /api/problems/idempotency-key-missing.",
            code="idempotency-key-missing",
        )
    header = header.strip()
    if matched := _quoted(header):
        key = re.sub(r"\\(.)", r"\1", matched[1])
        if 1 <= len(key) <= MOST_CHARACTERS:
            return key
    elif _bare(header):
        return header
    raise Invalid(
        f"An Idempotency-Key is 1 to {MOST_CHARACTERS} visible ASCII characters, bare (abc-1) or in quotes "
        '("abc-1").',
        code="idempotency-key-invalid",
    )


def answer_once(
    request: Request,
    *,
    credential: str,
    key: str,
    at: datetime,
    produce: Callable[[], HttpResponse],
    sealed: bool = False,
) -> HttpResponse:
    """What `produce` answers, or what it answered the first time. `sealed`: it holds a secret, so that it is
    kept in a form that only this service can read.

    `produce` runs in the transaction that keeps its answer; after a lost race it runs again in another. It
    returns what is to be kept and raises what is not. Raises KeyReused and InFlight.
    """
    mark = fingerprint(request.method or "", request.path, request.data)
    kept = _kept(credential, key)
    if kept is not None:
        return _replay(kept, mark, sealed)
    return _answer_in_transaction(credential, key, mark, at, produce, sealed)


def fingerprint(method: str, path: str, body: Any) -> str:
    """SHA-256 of the request's sense: its body's spaces and the order of its names do not count, nor how a
    file was wrapped: a file counts by its name and by what is in it."""
    canonical = json.dumps([method, path, body], sort_keys=True, separators=(",", ":"), default=sense_of)
    return hashlib.sha256(canonical.encode()).hexdigest()


@write_transaction
def _answer_in_transaction(
    credential: str, key: str, mark: str, at: datetime, produce: Callable[[], HttpResponse], sealed: bool
) -> HttpResponse:
    _take_turn(credential, key)
    kept = _kept(credential, key)
    if kept is not None:
        return _replay(kept, mark, sealed)
    response = produce()
    answer = KeptAnswer(
        credential=credential,
        key=key,
        fingerprint=mark,
        status=response.status_code,
        headers={name: response[name] for name in KEPT_HEADERS if name in response},
        body=seal(response.content, purpose=_SEALED_FOR) if sealed else response.content,
        created_at=at,
    )
    insert(answer)
    return response


def _take_turn(credential: str, key: str) -> None:
    connection = connections[DEFAULT_DB_ALIAS]
    if connection.vendor != "postgresql":
        return  # the write transaction is the turn
    digest = hashlib.sha256(f"{credential} {key}".encode()).digest()
    number = int.from_bytes(digest[:8], "big", signed=True)
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_try_advisory_xact_lock(%s)", [number])
        if not cursor.fetchone()[0]:
            raise InFlight(
                "The first request under this Idempotency-Key is still being worked on. Repeat it."
            )


def _kept(credential: str, key: str) -> KeptAnswer | None:
    found = _KEPT.one(credential, key)
    return None if found is None else found[0]


_KEPT = Written(
    "SELECT {kept} FROM api_keptanswer kept WHERE kept.credential = %s AND kept.key = %s", kept=KeptAnswer
)


def _replay(kept: KeptAnswer, mark: str, sealed: bool) -> HttpResponse:
    if kept.fingerprint != mark:
        raise KeyReused("This Idempotency-Key was used for another request. A new act takes a new key.")
    body = bytes(kept.body)
    if sealed:
        try:
            body = unseal(body, purpose=_SEALED_FOR)
        except UnreadableSeal as error:
            raise Conflict(
                "This was done, and its answer held a secret that cannot be read any more: the service's "
                "own key was replaced meanwhile. Make a new secret."
            ) from error
    response = HttpResponse(body, status=kept.status, headers=kept.headers)
    response[REPLAYED] = "true"
    return response
