"""Writers and readers who work side by side for a while, each over a connection of its own (bar F20)."""

import itertools
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from tests.concurrency.over_http import callers, warm
from tests.servers.caller import Answer, Caller
from tests.servers.web import WebServer

WRITERS, READERS = 8, 8


@dataclass
class Heard:
    """What everybody was told: the answers to writes and to reads."""

    written: list[Answer] = field(default_factory=list)
    read: list[Answer] = field(default_factory=list)


def side_by_side(web: WebServer, text: str, line: dict[str, Any], seconds: float) -> Heard:
    """Eight hold one shim of the line and release it again and again; eight look at the stock meanwhile."""
    heard = Heard()
    numbers = itertools.count(1)

    def write(one: Caller) -> None:
        number = next(numbers)
        body = {"reference": f"order {number}", "lines": [line]}
        made = one.send("POST", "/holds", body, key=f"hold-{number}")
        heard.written.append(made)
        if made.status != 201:
            return
        path = f"/holds/{made.json()['id']}/release"
        etag = made.headers["etag"]
        heard.written.append(one.send("POST", path, {}, key=f"release-{number}", if_match=etag))

    def read(one: Caller) -> None:
        heard.read.append(one.get("/stock?limit=50"))

    def work(act: Callable[[Caller], None], one: Caller) -> None:
        while time.monotonic() < end:
            act(one)

    with callers(web, text, WRITERS + READERS) as crowd:
        warm(crowd)
        end = time.monotonic() + seconds
        acts = [write] * WRITERS + [read] * READERS
        threads = [threading.Thread(target=work, args=pair) for pair in zip(acts, crowd, strict=True)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    return heard
