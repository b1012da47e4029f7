"""gunicorn's worker of the shop: what it refuses itself, before Django sees it, is a problem document too.

    gunicorn shop.wsgi --worker-class shop.serving.Worker …

Such are a request line or headers that are too long or no HTTP. gunicorn's own answer is a page of HTML that
says back what was sent; a program that parses each refusal by RFC 9457 (bar A1) would stumble over it.
"""

import json
from http import HTTPStatus
from typing import Any

from gunicorn.http.errors import LimitRequestHeaders, LimitRequestLine
from gunicorn.workers.gthread import ThreadWorker

from shop.ids import new_id

_TOO_LONG = "The address or the headers of this request are too long to be read."
_NO_HTTP = "This is no request by HTTP/1.1: check its first line and its headers."
_BROKEN = "Something went wrong inside; nothing was changed."


class Worker(ThreadWorker):
    """Threads, as gunicorn has them."""

    def handle_error(self, req: Any, client: Any, addr: Any, exc: BaseException) -> None:
        super().handle_error(req, _Answering(client, exc), addr, exc)


class _Answering:
    """The connection to a client, on which gunicorn's page is replaced by a problem document."""

    def __init__(self, client: Any, why: BaseException) -> None:
        self._client, self._why = client, why

    def __getattr__(self, name: str) -> Any:
        return getattr(self._client, name)

    def sendall(self, page: bytes) -> None:
        head = page.split(b" ", 2)
        broken = len(head) < 2 or head[1] == b"500"
        self._client.sendall(_problem(self._why, broken=broken))


def _problem(why: BaseException, *, broken: bool) -> bytes:
    status = HTTPStatus.INTERNAL_SERVER_ERROR if broken else HTTPStatus.BAD_REQUEST
    too_long = isinstance(why, LimitRequestLine | LimitRequestHeaders)
    request_id = str(new_id())
    body = json.dumps(
        {
            # The types of api/problem_types.toml, which this layer does not import.
            "type": f"/api/problems/{'internal' if broken else 'bad-request'}",
            "title": "Something went wrong inside" if broken else "Bad request",
            "status": int(status),
            "detail": _BROKEN if broken else _TOO_LONG if too_long else _NO_HTTP,
            "instance": request_id,
        }
    ).encode()
    head = (
        f"HTTP/1.1 {int(status)} {status.phrase}\r\n"
        "Connection: close\r\n"
        "Content-Type: application/problem+json\r\n"
        f"Content-Length: {len(body)}\r\n"
        "Cache-Control: no-store\r\n"
        "X-Content-Type-Options: nosniff\r\n"
        f"X-Request-ID: {request_id}\r\n\r\n"
    )
    return head.encode() + body
