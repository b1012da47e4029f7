"""How a program asks Coldgap so that it never wonders what happened: the advice of /api/problems, followed.

Sent again under the same Idempotency-Key: what got no answer, 429, 503, and 409 of type in-flight.
Everything else is an answer: a refusal stays one however often it is asked, and a new attempt is a new act
with a new key.
"""

import itertools
import random
import time
import uuid
from collections.abc import Callable
from typing import Any

import httpx

MOST_TRIES = 6
FIRST_PAUSE_SECONDS = 0.2
LONGEST_PAUSE_SECONDS = 30.0


class Refused(Exception):
    """Coldgap's answer is no; `problem` is its document (RFC 9457)."""

    def __init__(self, problem: dict[str, Any]) -> None:
        where = "".join(f"\n  {error['pointer']}: {error['detail']}" for error in problem.get("errors", ()))
        super().__init__(problem["detail"] + where)
        self.problem = problem


class NoAnswer(Exception):
    """Nobody knows whether it was done: ask again under the same key, `key`, before doing anything else."""

    def __init__(self, key: str, last: Exception | None) -> None:
        super().__init__(f"No answer to {key} after {MOST_TRIES} tries: {last or 'the server is busy'}")
        self.key = key


class Caller:
    """Requests with retries. `sleep` is how it waits."""

    def __init__(self, http: httpx.Client, *, sleep: Callable[[float], None] = time.sleep) -> None:
        self.http = http
        self.sleep = sleep

    def get(self, path: str, **params: str) -> tuple[Any, str]:
        """What is there and its ETag."""
        response = self._ask(httpx.Request("GET", self.http.base_url.join(path), params=params), key="")
        return response.json(), response.headers.get("ETag", "")

    def compute(self, path: str, body: Any) -> Any:
        """A POST that changes nothing."""
        return self._ask(self.http.build_request("POST", path, json=body), key="").json()

    def write(self, path: str, body: Any, *, seen: str = "", key: str = "") -> Any:
        """One act, done once however often it must be sent. `seen`: the ETag of what it is done to. `key`:
        that of an act whose answer never came."""
        key = key or str(uuid.uuid4())
        headers = {"Idempotency-Key": key} | ({"If-Match": seen} if seen else {})
        return self._ask(self.http.build_request("POST", path, json=body, headers=headers), key=key).json()

    def _ask(self, request: httpx.Request, *, key: str) -> httpx.Response:
        request.headers.update(
            {name: value for name, value in self.http.headers.items() if name == "authorization"}
        )
        last: Exception | None = None
        for attempt in itertools.count(1):
            pause = min(FIRST_PAUSE_SECONDS * 2**attempt, LONGEST_PAUSE_SECONDS) * random.uniform(0.5, 1)
            try:
                response = self.http.send(request)
            except httpx.TransportError as error:
                last = error
            else:
                if response.is_success:
                    return response
                problem = _problem(response)
                if not _may_be_sent_again(response.status_code, problem):
                    raise Refused(problem)
                last, pause = None, max(pause, float(response.headers.get("Retry-After", 0)))
            if attempt == MOST_TRIES:
                raise NoAnswer(key, last)
            self.sleep(pause)
        raise AssertionError("unreachable")


def _may_be_sent_again(status: int, problem: dict[str, Any]) -> bool:
    return status in (429, 503) or (status == 409 and problem["type"].endswith("/in-flight"))


def _problem(response: httpx.Response) -> dict[str, Any]:
    if response.headers.get("Content-Type") == "application/problem+json":
        return response.json()
    # A proxy in between answers in its own way.
    return {"type": "about:blank", "status": response.status_code, "detail": f"HTTP {response.status_code}"}
