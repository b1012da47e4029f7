"""One request to one receiver: connected to an address that was checked, told once, never led on.

What the receiver says in its answer is not read: the status is all that counts (bar API10).
"""

import http.client
import socket
import ssl
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass

from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.exceptions import HTTPError

from shop.webhooks.targets import Target

CONNECT_SECONDS = 5.0
ANSWER_SECONDS = 15.0
MOST_RETRY_AFTER_SECONDS = 24 * 60 * 60
GONE = 410
USER_AGENT = "Coldgap"
_TROUBLE = (OSError, HTTPError, http.client.HTTPException)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came of one attempt.

    status: of the answer, None where there was none. error: why it does not count as taken, "" where it does.
    retry_after: for how many seconds the receiver asked to be left alone, 0 where it did not.
    """

    status: int | None = None
    error: str = ""
    retry_after: int = 0

    @property
    def taken(self) -> bool:
        return not self.error


def post(target: Target, body: bytes, headers: Mapping[str, str]) -> Outcome:
    """Send the body as it is. Never raises for what the receiver or the network does."""
    end = time.monotonic() + ANSWER_SECONDS
    error = "it could not be reached"
    for address in target.addresses:
        left = end - time.monotonic()
        if left <= 0:
            break
        connection = _connection(target, address, min(CONNECT_SECONDS, left))
        with _HangUp(connection, left) as limit:
            try:
                connection.connect()
            except _TROUBLE as trouble:
                error = _in_words(trouble)
                continue
            return _exchange(connection, target, body, headers, limit)
    return Outcome(error=error)


def _exchange(
    connection: HTTPConnection, target: Target, body: bytes, headers: Mapping[str, str], limit: "_HangUp"
) -> Outcome:
    connection.sock.settimeout(ANSWER_SECONDS)
    sent = {
        **headers,
        "Host": target.authority,
        "Content-Type": "application/json",
        "User-Agent": USER_AGENT,
        "Connection": "close",
    }
    try:
        connection.request("POST", target.path, body=body, headers=sent, preload_content=False)
        response = connection.getresponse()
    except _TROUBLE as trouble:
        return Outcome(error=limit.words or _in_words(trouble))
    if limit.words:
        return Outcome(error=limit.words)
    status = response.status
    if 200 <= status <= 299:
        return Outcome(status=status)
    return Outcome(
        status=status,
        error=f"it answered {status}" + (", which is not followed" if 300 <= status <= 399 else ""),
        retry_after=_seconds(response.headers.get("Retry-After", "")),
    )


def _connection(target: Target, address: str, timeout: float) -> HTTPConnection:
    if target.scheme == "http":
        return HTTPConnection(address, target.port, timeout=timeout)
    return HTTPSConnection(
        address,
        target.port,
        timeout=timeout,
        # The certificate is the name's, whatever address it was looked up as.
        server_hostname=target.host.rstrip("."),
        ssl_context=ssl.create_default_context(),
    )


class _HangUp:
    """Closes the line when the time is over: a receiver that sends one byte every few seconds keeps within
    every time-out that a socket knows."""

    def __init__(self, connection: HTTPConnection, seconds: float) -> None:
        self._connection = connection
        self._timer = threading.Timer(seconds, self._hang_up)
        self._timer.daemon = True
        self.words = ""

    def __enter__(self) -> "_HangUp":
        self._timer.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._timer.cancel()
        self._connection.close()

    def _hang_up(self) -> None:
        self.words = f"it did not answer within {ANSWER_SECONDS:g} s"
        line = self._connection.sock
        if line is not None:
            try:
                line.shutdown(socket.SHUT_RDWR)
            except OSError:
                return  # it was closed in the same moment


def _in_words(trouble: Exception) -> str:
    """Why, in words that tell nothing of what else is in the network."""
    cause = trouble.__cause__ if isinstance(trouble, HTTPError) and trouble.__cause__ else trouble
    if isinstance(cause, ssl.SSLCertVerificationError):
        return "its certificate is not good for this name"
    if isinstance(cause, ssl.SSLError):
        return "it does not speak TLS as it should"
    if isinstance(cause, TimeoutError) or "Timeout" in type(trouble).__name__:
        return "it did not answer in time"
    if isinstance(cause, ConnectionRefusedError):
        return "it refused the connection"
    if isinstance(cause, http.client.HTTPException):
        return "it broke off, or answered other than in HTTP"
    return "the connection broke or could not be made"


def _seconds(header: str) -> int:
    """Retry-After as seconds, a day at most; 0 for none and for a date."""
    header = header.strip()
    if not (header.isascii() and header.isdigit()):
        return 0
    return min(int(header[:9]), MOST_RETRY_AFTER_SECONDS)
