"""Many threads that act at the same moment, round after round, each with a database connection of its own."""

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.db import connection, connections

from shop.errors import ShopError
from tests.servers.children import wait_until

LONGEST_ROUND_SECONDS = 120


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What one thread's act gave: its result, or the refusal; any other error fails the round."""

    result: Any = None
    error: BaseException | None = None
    seconds: float = 0.0

    @property
    def code(self) -> str:
        """The refusal's code, "" for a success."""
        return self.error.code if isinstance(self.error, ShopError) else ""


def at_once(
    size: int, rounds: int, act: Callable[[int, int], Any], check: Callable[[int, list], None]
) -> None:
    """`act(thread, round)` in `size` threads at one moment, then `check(round, outcomes)`; so many rounds.

    The threads keep their connections, as the service's do. `check` runs here, while nobody acts.
    """
    barrier = threading.Barrier(size + 1)
    outcomes: list[Outcome | None] = [None] * size

    def run(index: int) -> None:
        try:
            connection.ensure_connection()
            for number in range(rounds):
                barrier.wait(LONGEST_ROUND_SECONDS)
                outcomes[index] = _timed(act, index, number)
                barrier.wait(LONGEST_ROUND_SECONDS)
        except threading.BrokenBarrierError:
            return
        finally:
            connections.close_all()

    threads = [threading.Thread(target=run, args=(index,), daemon=True) for index in range(size)]
    for thread in threads:
        thread.start()
    try:
        for number in range(rounds):
            barrier.wait(LONGEST_ROUND_SECONDS)
            barrier.wait(LONGEST_ROUND_SECONDS)
            unexpected = [o.error for o in outcomes if o.error and not isinstance(o.error, ShopError)]
            if unexpected:
                raise unexpected[0]
            check(number, list(outcomes))
    finally:
        barrier.abort()
        for thread in threads:
            thread.join(LONGEST_ROUND_SECONDS)


def _timed(act: Callable[[int, int], Any], index: int, number: int) -> Outcome:
    began = time.perf_counter()
    try:
        return Outcome(result=act(index, number), seconds=time.perf_counter() - began)
    except Exception as error:
        return Outcome(error=error, seconds=time.perf_counter() - began)


def tally(outcomes: list[Outcome]) -> dict[str, int]:
    """How many outcomes there were of each code, successes under ""."""
    found: dict[str, int] = {}
    for outcome in outcomes:
        found[outcome.code] = found.get(outcome.code, 0) + 1
    return found


def deadlocks() -> int:
    """How many deadlocks PostgreSQL has broken in this database; 0 on SQLite, where there can be none.

    A session's count arrives when it ends: ask when the threads are gone.
    """
    if connection.vendor != "postgresql":
        return 0
    wait_until(
        lambda: _ask("SELECT count(*) FROM pg_stat_activity WHERE datname = current_database()") == 1,
        seconds=10,
        what="the other sessions' end",
    )
    return _ask("SELECT deadlocks FROM pg_stat_database WHERE datname = current_database()")


def _ask(question: str) -> int:
    with connection.cursor() as cursor:
        cursor.execute(question)
        return cursor.fetchone()[0]
