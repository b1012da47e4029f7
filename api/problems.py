"""The one error shape: RFC 9457 problem documents, made here and nowhere else.

`problem_handler` is the framework's exception handler; api/middleware.py gives what never reached a view the
same shape.
"""

import json
from collections.abc import Iterable, Mapping
from typing import Any

import structlog
from django.core.exceptions import PermissionDenied
from django.db import DatabaseError, DataError, IntegrityError, InterfaceError
from django.http import Http404, HttpRequest, HttpResponse, UnreadablePostError
from rest_framework import exceptions
from rest_framework.request import Request

from api.pointers import errors_of
from api.problem_types import CODE_OF_STATUS, problem_type
from inventory.compute.lengths import LengthError
from shop.db import Failure, classify
from shop.errors import FieldError, ShopError
from shop.patience import was_crowded_out

PROBLEM_JSON = "application/problem+json"
# How long a caller should wait before asking a database again that was busy, or for an answer in flight.
RETRY_SECONDS = 1
_log = structlog.get_logger("coldgap.api")


def problem_response(
    request: HttpRequest | Request,
    code: str,
    detail: str,
    *,
    status: int | None = None,
    errors: Iterable[FieldError] = (),
    extra: Mapping[str, Any] | None = None,
    headers: Mapping[str, str] | None = None,
) -> HttpResponse:
    """The problem document for one refusal. `status`: None for that of the type."""
    kind = problem_type(code, status or 0)
    body: dict[str, Any] = {
        "type": kind.address,
        "title": kind.title,
        "status": status or kind.status,
        "detail": detail,
        "instance": getattr(request, "request_id", ""),
    }
    if listed := [{"pointer": error.pointer, "detail": error.detail} for error in errors]:
        body["errors"] = listed
    for name, value in (extra or {}).items():
        body.setdefault(name, value)
    response = HttpResponse(
        json.dumps(body, ensure_ascii=False, separators=(",", ":")),
        status=body["status"],
        content_type=PROBLEM_JSON,
        headers=dict(headers or {}),
    )
    if body["status"] == 503 or code == "in-flight":
        response.headers.setdefault("Retry-After", str(RETRY_SECONDS))
    return response


def problem_handler(exc: Exception, context: Mapping[str, Any]) -> HttpResponse | None:
    """What a view raised, as a problem; None for a mistake of ours, which is logged and answered as 500."""
    return problem_of(exc, context["request"])


def problem_of(exc: Exception, request: HttpRequest | Request) -> HttpResponse | None:
    """The problem that an exception stands for; None when it stands for none."""
    if isinstance(exc, ShopError):
        if exc.status == 403:
            _log.warning("forbidden", detail=exc.message)
        headers = {str(k): str(v) for k, v in getattr(exc, "headers", {}).items()}
        return problem_response(
            request,
            exc.code,
            exc.message,
            status=exc.status,
            errors=exc.errors,
            extra=exc.extra,
            headers=headers,
        )
    if isinstance(exc, LengthError):
        return problem_response(request, "invalid", exc.message, errors=[FieldError("", exc.message)])
    if isinstance(exc, DatabaseError | InterfaceError):
        return _database_problem(exc, request)
    if isinstance(exc, UnreadablePostError) and was_crowded_out(exc):
        return problem_response(
            request, "busy", "Too many clients are slow in sending just now. Send it again, in one go."
        )
    if isinstance(exc, UnreadablePostError):
        return problem_response(request, "bad-request", "The body broke off before its end.")
    if isinstance(exc, Http404):
        exc = exceptions.NotFound()
    elif isinstance(exc, PermissionDenied):
        exc = exceptions.PermissionDenied()
    if isinstance(exc, exceptions.APIException):
        return _framework_problem(exc, request)
    return None


def _database_problem(exc: Exception, request: HttpRequest | Request) -> HttpResponse | None:
    if classify(exc) is not Failure.OTHER:
        _log.warning("database busy", error=type(exc).__name__)
        return problem_response(
            request, "busy", "The shop's database is busy just now; nothing was changed. Try again."
        )
    if isinstance(exc, IntegrityError):
        # A race that a constraint decided; its text may hold the row, so the log alone has it.
        _log.warning("refused by a constraint", error=str(exc).partition("\n")[0])
        return problem_response(
            request,
            "conflict",
            "Somebody was faster, or a rule of the books forbids it; nothing was changed. Read it again.",
        )
    if isinstance(exc, DataError):
        _log.warning("refused by a column", error=str(exc).partition("\n")[0])
        return problem_response(request, "invalid", "A value is too long or too large to be kept.")
    return None


def _framework_problem(exc: exceptions.APIException, request: HttpRequest | Request) -> HttpResponse | None:
    if exc.status_code >= 500:
        return None
    headers = {}
    if wait := getattr(exc, "wait", None):
        headers["Retry-After"] = str(int(wait))
    if challenge := getattr(exc, "auth_header", None):
        headers["WWW-Authenticate"] = challenge
    if isinstance(exc, exceptions.ValidationError):
        errors = errors_of(exc.detail)
        words = "; ".join(map(_in_words, errors[:5])) + _and_more(len(errors) - 5)
        return problem_response(
            request, "invalid", f"Some values are wrong: {words}.", errors=errors, headers=headers
        )
    code, detail = CODE_OF_STATUS.get(exc.status_code, "bad-request"), str(exc.detail)
    if isinstance(exc, exceptions.AuthenticationFailed):
        code = "invalid-key"
        headers["WWW-Authenticate"] += ', error="invalid_token"'
    elif isinstance(exc, exceptions.NotAuthenticated):
        detail = "A key or a log-in is needed: send Authorization: Bearer <key>."
    elif isinstance(exc, exceptions.NotFound):
        detail = "There is no such thing here."
    elif isinstance(exc, exceptions.MethodNotAllowed):
        detail = f"{request.method} is not possible here; the Allow header says what is."
    elif isinstance(exc, exceptions.NotAcceptable):
        detail = "Only application/json is answered here."
    elif isinstance(exc, exceptions.UnsupportedMediaType):
        taken = request.parsers[0].media_type if isinstance(request, Request) else "application/json"
        detail = f"Only Content-Type: {taken}, in UTF-8, is taken here."
    elif detail.startswith("CSRF Failed"):
        code = "csrf"
    return problem_response(request, code, detail, headers=headers)


def _in_words(error: FieldError) -> str:
    """What is wrong and where; a detail that is a sentence of its own does not go on with the pointer."""
    where, words = error.pointer or "the body", error.detail.rstrip(".")
    return f"{where}: {words}" if words[:1].isupper() else f"{where} {words}"


def _and_more(left: int) -> str:
    return f" and {left:,} more" if left > 0 else ""
