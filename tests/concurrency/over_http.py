"""Crowds of programs that work through a real web server, and what they were told."""

import contextlib
import statistics
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, TypeVar

from tests.servers.caller import Answer, Caller
from tests.servers.children import wait_until
from tests.servers.web import WebServer

Result = TypeVar("Result")
LONGEST_ROUND_SECONDS = 60
# Between two rounds nobody says anything for longer than gunicorn's usual two seconds.
KEPT_OPEN = ("--keep-alive", "60")
# As behind a proxy: a connection per request, so that the worker that has time for it takes it. One that is
# kept open stays with its worker, and now and then one has all sixteen while the other has nothing to do.
ONE_BY_ONE = ("--keep-alive", "0")


@contextlib.contextmanager
def serving(
    folder: Path,
    environment: Mapping[str, str],
    *,
    workers: int = 2,
    threads: int = 32,
    words: Sequence[str] = KEPT_OPEN,
) -> Iterator[WebServer]:
    """gunicorn with the service; gone after the block."""
    web = WebServer(
        log=folder / "web.log", environment=environment, workers=workers, threads=threads, words=words
    )
    try:
        web.wait_ready(seconds=120)
        yield web
    finally:
        web.child.kill()


@contextlib.contextmanager
def callers(web: WebServer, text: str, number: int) -> Iterator[list[Caller]]:
    made = [Caller(web.port, text) for _ in range(number)]
    try:
        yield made
    finally:
        for one in made:
            one.close()


def together(crowd: Sequence[Caller], act: Callable[[int, Caller], Result]) -> list[Result]:
    """`act(index, caller)` of all at one moment, each in a thread of its own."""
    barrier = threading.Barrier(len(crowd))

    def run(numbered: tuple[int, Caller]) -> Result:
        barrier.wait(LONGEST_ROUND_SECONDS)
        return act(*numbered)

    with ThreadPoolExecutor(len(crowd)) as pool:
        return list(pool.map(run, enumerate(crowd)))


def after_the_last(crowd: Sequence[Caller], line: dict[str, Any], round_: int) -> list[Answer]:
    """Everybody asks for a hold of this stock line at one moment, each under a key of its own."""

    def hold(index: int, caller: Caller) -> Answer:
        body = {"reference": f"order {round_}-{index}", "lines": [line]}
        return caller.send("POST", "/holds", body, key=f"crowd-{round_}-{index}")

    return together(crowd, hold)


def warm(crowd: Sequence[Caller]) -> None:
    """Every connection open, on every worker: what is timed is the service and not its start."""
    for _ in range(2):
        assert all(answer.status == 200 for answer in together(crowd, lambda _, one: one.get("/sites")))


def worker_processes(web: WebServer) -> list[int]:
    """The server's workers of just now."""
    master = web.child.pid
    return [int(one) for one in Path(f"/proc/{master}/task/{master}/children").read_text().split()]


def wait_for_workers(web: WebServer) -> None:
    wait_until(lambda: web.get("/readyz")[0] == 200, seconds=20, what="the server", by=web.child)


def figures(seconds: Sequence[float]) -> str:
    """Median, 99th percentile and longest, in milliseconds."""
    late = statistics.quantiles(seconds, n=100, method="inclusive")[-1]
    return (
        f"median {statistics.median(seconds) * 1_000:.0f} ms, p99 {late * 1_000:.0f} ms, "
        f"longest {max(seconds) * 1_000:.0f} ms, {len(seconds):,} requests"
    )
