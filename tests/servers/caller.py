"""A program that asks a web server of the tests over a connection of its own, kept open as programs do."""

import http.client
import json
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

API = "/api/v1"
PATIENCE_SECONDS = 30
_PAUSE_SECONDS = 0.05


class NoAnswer(Exception):
    """The connection broke before the answer was there: what was asked may have been done or not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """headers: names in small letters; seconds: from sending to the last byte."""

    status: int
    body: bytes
    headers: Mapping[str, str] = field(default_factory=dict)
    seconds: float = 0.0

    def json(self) -> Any:
        return json.loads(self.body)

    @property
    def problem(self) -> str:
        """The problem's name; "" for a success."""
        return self.json()["type"].removeprefix("/api/problems/") if self.status >= 400 else ""


class Caller:
    """One thread's connection. `text`: its API key."""

    def __init__(self, port: int, text: str) -> None:
        self._connection = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE_SECONDS)
        self._bearer = {"Authorization": f"Bearer {text}"}

    def get(self, path: str) -> Answer:
        return self.send("GET", path)

    def send(self, method: str, path: str, body: Any = None, *, key: str = "", if_match: str = "") -> Answer:
        """One request. Raises NoAnswer."""
        headers = dict(self._bearer)
        if body is not None:
            headers["Content-Type"] = "application/json"
        if key:
            headers["Idempotency-Key"] = key
        if if_match:
            headers["If-Match"] = if_match
        began = time.perf_counter()
        try:
            self._connection.request(method, API + path, None if body is None else json.dumps(body), headers)
            heard = self._connection.getresponse()
            data = heard.read()
        except (OSError, http.client.HTTPException) as error:
            self._connection.close()
            raise NoAnswer(repr(error)) from error
        return Answer(
            status=heard.status,
            body=data,
            headers={name.lower(): value for name, value in heard.getheaders()},
            seconds=time.perf_counter() - began,
        )

    def insist(
        self,
        method: str,
        path: str,
        body: Any = None,
        *,
        key: str,
        if_match: str = "",
        patience: float = PATIENCE_SECONDS,
    ) -> Answer:
        """As a program does that must know: the same request under the same key until it is answered, past
        broken connections, 503 and the 409 of a request that is still under way. Raises NoAnswer after so
        many seconds, with what it was told last.
        """
        end = time.monotonic() + patience
        while True:
            try:
                answer = self.send(method, path, body, key=key, if_match=if_match)
                if answer.status != 503 and answer.problem != "in-flight":
                    return answer
                last: Exception = NoAnswer(answer.body.decode())
            except NoAnswer as error:
                last = error
            if time.monotonic() > end:
                raise last
            time.sleep(_PAUSE_SECONDS)

    def close(self) -> None:
        self._connection.close()
