"""How many requests the API answers and what they cost:  python -m tests.bench.bench_api [--seconds 60]

gunicorn (2 workers, 4 threads each) on PostgreSQL with the invented shop in it, all on this machine together
with what asks. Without Redis, so that limits are counted in each worker. Two measurements:

- load: 8 callers at once, four reads of stock to one plan against a site's stock, for so many seconds:
  requests per second, median and 99th percentile of each, errors; and beside them a bare Django view that
  returns a constant under the same callers, so that the share of our own work is seen.
- cost: one caller, each address once a round, so that a slow moment of the machine falls on all alike;
  medians, and how many times what one row costs: a DRF view that reads one row behind the same
  authentication, limits and middleware (tests/bench/beside.py; it is no part of the product).

Bars (issue 6): no error under load; a plan of 16 valves against a site's stock costs at most 4 times, a read
of stock at most 2 times one row. Issue 2: a plan of 16 valves takes under 30 ms. Exit 1 when one is broken.
"""

import argparse
import http.client
import itertools
import json
import random
import statistics
import sys
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack
from typing import Any
from urllib.parse import urlencode, urlsplit

from tests.api.plan_requests import request_of
from tests.bench.api_server import HEADERS, served
from tests.bench.bench_planner import engine

CALLERS = 8
PLAN_EVERY = 5
ROUNDS, WARM = 100, 10
ROW, STOCK, PLAN = "one row", "GET /stock, a family up to 2.7 mm", "POST /plans, 16 valves x a site's stock"
BARS = {STOCK: 2.0, PLAN: 4.0}
PLAN_MS = 30
Call = Callable[[], tuple[int, bytes]]


class Caller:
    """One connection that is kept open. What it sends is made ready beforehand."""

    def __init__(self, url: str, key: str) -> None:
        self._headers = HEADERS | {"Authorization": f"Bearer {key}"}
        self._connection = http.client.HTTPConnection(urlsplit(url).netloc, timeout=30)

    def get(self, path: str, **query: str) -> Call:
        path += f"?{urlencode(query)}" if query else ""
        return lambda: self._answer("GET", path, None, self._headers)

    def post(self, path: str, body: Any) -> Call:
        data, headers = json.dumps(body), self._headers | {"Content-Type": "application/json"}
        return lambda: self._answer("POST", path, data, headers)

    def _answer(self, method: str, path: str, data: str | None, headers: dict[str, str]) -> tuple[int, bytes]:
        try:
            self._connection.request(method, path, data, headers)
            answer = self._connection.getresponse()
            return answer.status, answer.read()
        except (OSError, http.client.HTTPException):
            self._connection.close()
            return 0, b""


def looks(caller: Caller) -> dict[str, Call]:
    """Every address that is measured. Plans that name a site are about the family of which it has most."""
    rng = random.Random(7)
    rows = json.loads(caller.get("/api/v1/stock", limit="200")()[1])["items"]
    pairs = [(row["site"], row["family"]) for row in rows]
    site, family = max(set(pairs), key=pairs.count)
    place = json.loads(caller.get("/api/v1/bins", site=site)()[1])["items"][0]["id"]
    at_site = request_of(engine(rng, 16, 1, 0.5), 7)
    own = [row["thickness"] for row in rows if (row["site"], row["family"]) == (site, family)]
    for valve in at_site["valves"]:
        valve["shim"] = {"thickness": rng.choice(own), "known_by": "measured"}
    del at_site["stock"], at_site["catalogue"]
    given = {
        f"POST /plans, {valves} valves x {lots} lots given": request_of(engine(rng, valves, lots, 0.5), 7)
        for valves, lots in ((16, 300), (48, 300))
    }
    return {
        "bare": caller.get("/bare"),
        ROW: caller.get(f"/api/v1/one-row/{place}"),
        STOCK: caller.get("/api/v1/stock", site=site, family=family, thickness_max="2.7mm"),
        "GET /stock, a page of 50": caller.get("/api/v1/stock"),
        "GET /jobs, open ones": caller.get("/api/v1/jobs", open="true"),
        PLAN: caller.post("/api/v1/plans", at_site | {"site": site, "family": family}),
        **{name: caller.post("/api/v1/plans", body) for name, body in given.items()},
    }


def cost(calls: dict[str, Call]) -> dict[str, list[float]]:
    """Milliseconds of each, a round at a time."""
    taken: dict[str, list[float]] = {name: [] for name in calls}
    for round_ in range(ROUNDS + WARM):
        for name, call in calls.items():
            began = time.perf_counter()
            status, body = call()
            took = time.perf_counter() - began
            if status != 200:
                raise SystemExit(f"{name}: {status} {body[:500]!r}")
            if round_ >= WARM:
                taken[name].append(took * 1_000)
    return taken


def load(url: str, key: str, seconds: float, names: tuple[str, ...]) -> dict[str, list[tuple[int, float]]]:
    """(status, milliseconds) of what the callers sent, one name after the other, until the time is over."""
    found: dict[str, list[tuple[int, float]]] = {name: [] for name in names}
    ready = threading.Barrier(CALLERS + 1)
    over = threading.Event()

    def ask(first: int) -> None:
        calls = looks(Caller(url, key))
        mine: dict[str, list[tuple[int, float]]] = {name: [] for name in names}
        turns = itertools.islice(itertools.cycle(names), first, None)
        ready.wait()
        for name in turns:
            if over.is_set():
                break
            began = time.perf_counter()
            status, _ = calls[name]()
            mine[name].append((status, (time.perf_counter() - began) * 1_000))
        for name, answers in mine.items():
            found[name].extend(answers)

    callers = [threading.Thread(target=ask, args=(number,)) for number in range(CALLERS)]
    for caller in callers:
        caller.start()
    ready.wait()
    over.wait(seconds)
    over.set()
    for caller in callers:
        caller.join()
    return found


def tell_load(url: str, key: str, seconds: float) -> list[str]:
    mixed = (*[STOCK] * (PLAN_EVERY - 1), PLAN)
    found = load(url, key, seconds, mixed)
    bare = load(url, key, max(seconds / 6, 2), ("bare",))["bare"]
    answers = [answer for given in found.values() for answer in given]
    errors = sum(status != 200 for status, _ in answers)
    print(f"{CALLERS} callers for {seconds:g} s:{'requests/s':>32} {'median ms':>10} {'p99 ms':>8}  errors")
    for name, given in [*found.items(), ("stock and plans together", answers)]:
        tell_line(name, given, seconds)
    tell_line("bare view, the same callers", bare, max(seconds / 6, 2))
    return [f"{errors} errors under load"] if errors else []


def tell_line(name: str, given: list[tuple[int, float]], seconds: float) -> None:
    times = sorted(milliseconds for _, milliseconds in given)
    late, wrong = times[int(len(times) * 0.99)], sum(status != 200 for status, _ in given)
    print(f"{name:>44} {len(times) / seconds:9.1f} {statistics.median(times):10.2f} {late:8.2f} {wrong:7}")


def tell_cost(taken: dict[str, list[float]]) -> list[str]:
    medians = {name: statistics.median(times) for name, times in taken.items()}
    print(f"{'one caller, ms':>44}  median     p95  x one row")
    for name, times in taken.items():
        late, ratio = statistics.quantiles(times, n=20)[-1], medians[name] / medians[ROW]
        bar = f"  (at most {BARS[name]:g})" if name in BARS else ""
        print(f"{name:>44} {medians[name]:7.2f} {late:7.2f} {ratio:10.2f}{bar}")
    broken = [
        f"{name}: {medians[name] / medians[ROW]:.2f} times one row, more than {most:g}"
        for name, most in BARS.items()
        if medians[name] > most * medians[ROW]
    ]
    if medians[PLAN] > PLAN_MS:
        broken.append(f"{PLAN}: {medians[PLAN]:.1f} ms, more than {PLAN_MS}")
    return broken


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--seconds", type=float, default=60, help="of load")
    parser.add_argument("--past-jobs", type=int, default=40, help="how many jobs the shop has behind it")
    options = parser.parse_args()
    with ExitStack() as stack:
        url, key = served(stack, past_jobs=options.past_jobs)
        broken = tell_cost(cost(looks(Caller(url, key))))
        broken += tell_load(url, key, options.seconds)
    print(f"bars broken: {'; '.join(broken) or 'none'}")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
