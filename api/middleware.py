"""What happens to a request under /api before the framework reads it, and to every answer on its way out.

Refused here (bar A11, law 7): a body that is too large, before any of it is looked at; one of unknown length;
NUL and what is not UTF-8 in address and query; a key in the query; a host that is not ours; plain HTTP where
HTTPS is served. And every error that is not a problem document yet becomes one (bar A1): an address that
nobody has, a mistake of ours.
"""

import re
from collections.abc import Callable
from urllib.parse import unquote_to_bytes

from django.conf import settings
from django.core.exceptions import DisallowedHost
from django.http import HttpRequest, HttpResponse
from django.utils.cache import patch_vary_headers

from api.problem_types import CODE_OF_STATUS
from api.problems import PROBLEM_JSON, problem_response
from api.uploads import MOST_AROUND, MOST_FILE_BYTES

MOST_BYTES = 1024 * 1024
# Where files are taken in, as large as the pages take them.
MOST_BYTES_AT = {("POST", "/api/v1/imports"): MOST_FILE_BYTES + MOST_AROUND}
MOST_READ_AWAY, PIECE = 32 * 1024 * 1024, 64 * 1024
MOST_QUERY, MOST_PARAMETERS = 4_000, 100
_UNDER_API = re.compile(r"/api(/|$)").match
# What programs call the parameter in which they send a key that belongs into a header.
_KEY_PARAMETERS = frozenset({"key", "api_key", "apikey", "api-key", "access_token", "token", "authorization"})
_KEY_IN_VALUE = re.compile(rb"cg_[a-z0-9]{8}_").search
_WORDS = {
    400: "This request cannot be used: check its address, its host, its headers and that its body is whole.",
    404: "There is no such address. The document at /api/v1/openapi.json has them all.",
    405: "This method is not possible here; the Allow header says what is.",
    500: "Something went wrong inside; it is logged under this id and nothing was changed.",
}


class ApiMiddleware:
    """Guards /api and gives all of its errors one shape. Other addresses pass untouched."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if not _UNDER_API(request.path_info):
            return self.get_response(request)
        response = refusal_of(request)
        if response is None:
            response = self.get_response(request)
        else:
            _let_client_finish(request)
        if response.status_code >= 400 and response.get("Content-Type") != PROBLEM_JSON:
            response = _as_problem(request, response)
        _finish(request, response)
        return response


def refusal_of(request: HttpRequest) -> HttpResponse | None:
    """The refusal of a request that must not reach the framework; None for one that may."""
    if settings.SECURE_SSL_REDIRECT and not request.is_secure():
        return problem_response(request, "https-required", "The API is served over HTTPS only.")
    try:
        request.get_host()
    except DisallowedHost:
        return problem_response(request, "bad-request", "This service is not known under that host name.")
    return _bad_address(request) or _bad_length(request)


def _bad_address(request: HttpRequest) -> HttpResponse | None:
    query = request.META.get("QUERY_STRING", "")
    if len(query) > MOST_QUERY or query.count("&") >= MOST_PARAMETERS:
        return problem_response(
            request,
            "bad-request",
            f"A query has at most {MOST_QUERY:,} characters and {MOST_PARAMETERS} parameters.",
        )
    raw = unquote_to_bytes(query.encode("latin-1", "replace").replace(b"+", b" "))
    try:
        raw.decode("utf-8")
        # What Django could not decode in a path it leaves escaped; a NUL it lets through.
        path_is_good = "\0" not in request.path_info and "%" not in request.path_info
    except UnicodeDecodeError:
        path_is_good = False
    if not path_is_good or b"\0" in raw:
        return problem_response(request, "bad-request", "The address holds a NUL character or is not UTF-8.")
    named = {part.partition("=")[0].casefold() for part in query.split("&")}
    if named & _KEY_PARAMETERS or _KEY_IN_VALUE(raw):
        return problem_response(
            request,
            "key-in-address",
            "A key belongs into the Authorization header, not into the address, which ends up in logs. "
            "Have this key revoked.",
        )
    return None


def _bad_length(request: HttpRequest) -> HttpResponse | None:
    if request.META.get("HTTP_TRANSFER_ENCODING"):
        return problem_response(request, "length-required", "Send the body with its Content-Length.")
    length = request.META.get("CONTENT_LENGTH") or "0"
    if not (length.isascii() and length.isdigit()):
        return problem_response(request, "bad-request", "Content-Length is not a number.")
    most = MOST_BYTES_AT.get((request.method, request.path_info), MOST_BYTES)
    if len(length) > 18 or int(length) > most:
        return problem_response(
            request, "too-large", f"A body has at most {most:,} bytes here; this one has more."
        )
    return None


def _let_client_finish(request: HttpRequest) -> None:
    """Read away, piece by piece, the body of a request that is refused unread.

    A client that is still sending when the connection closes sees a broken pipe instead of the refusal. What
    is far too large is cut off unread.
    """
    length = request.META.get("CONTENT_LENGTH") or "0"
    left = int(length) if length.isascii() and length.isdigit() and len(length) <= 18 else 0
    while 0 < left <= MOST_READ_AWAY:
        try:
            piece = request.META["wsgi.input"].read(min(left, PIECE))
        except OSError:
            return  # it has gone
        if not piece:
            return
        left -= len(piece)


def _as_problem(request: HttpRequest, response: HttpResponse) -> HttpResponse:
    status = response.status_code
    code = CODE_OF_STATUS.get(status) or ("bad-request" if status < 500 else "internal")
    words = _WORDS.get(status) or "The request was refused."
    kept = {name: response[name] for name in ("Allow", "Retry-After", "WWW-Authenticate") if name in response}
    return problem_response(request, code, words, status=status, headers=kept)


def _finish(request: HttpRequest, response: HttpResponse) -> None:
    if response.status_code >= 400:
        response["Cache-Control"] = "no-store"
    else:
        # An answer is its asker's; it may be kept if it is asked for again each time, which ETags are for.
        response.headers.setdefault("Cache-Control", "private, no-cache")
        patch_vary_headers(response, ("Authorization", "Cookie"))
    if request.method == "HEAD" and not response.streaming:
        response["Content-Length"] = str(len(response.content))
        response.content = b""
