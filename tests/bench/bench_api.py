"""How long a request takes on the demo server:  python -m tests.bench.bench_api [--url URL --key KEY]

Without an address it starts the demo on data of its own. Medians over one connection that is kept open, each
round asking every address once, so that a slow moment of the machine falls on all of them alike. Beside them:

- bare: /healthz, a Django view that returns a constant behind the same middleware, without a key;
- one row: GET /sites/<code>, a thing read by its key behind the same authentication, limits and middleware.

Bars (RELIABILITY.md, issue 2 and 6): a plan of 16 valves under 30 ms; a plan against a site's stock at most 4
times, a read of stock at most 2 times what one row takes.
"""

import argparse
import os
import random
import re
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import httpx

from tests.api.plan_requests import request_of
from tests.bench.bench_planner import engine
from tests.servers.children import Child, free_port

ROOT = Path(__file__).resolve().parents[2]
ROUNDS, WARM = 100, 10


def demo(stack: ExitStack) -> tuple[str, str]:
    """The demo on a fresh folder, small, in a process of its own: its address and key."""
    folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="coldgap-bench-")))
    port = free_port()
    child = Child(
        [sys.executable, "manage.py", "demo", "--port", str(port), "--past-jobs", "40"],
        log=folder / "log",
        env=os.environ | {"COLDGAP_DATA_DIR": str(folder)},
        cwd=ROOT,
    )
    stack.callback(child.stop)
    url = f"http://127.0.0.1:{port}"
    child.wait_ready(lambda: _answers(url), seconds=180)
    return url, re.search(r"API key: (\S+)", child.log.read_text())[1]


def _answers(url: str) -> bool:
    try:
        return httpx.get(f"{url}/healthz").status_code == 200
    except httpx.HTTPError:
        return False


def plans(http: httpx.Client) -> dict[str, Callable[[], httpx.Response]]:
    """Requests for plans; those that name a site are about the family of which it has most."""
    rng = random.Random(7)
    bodies = {
        f"POST /plans, {valves} valves x {lots} lots given": request_of(engine(rng, valves, lots, 0.5), 7)
        for valves, lots in ((16, 300), (48, 300), (64, 5_000))
    }
    rows = http.get("/api/v1/stock", params={"limit": 200}).json()["items"]
    families = [(row["site"], row["family"]) for row in rows]
    site, family = max(set(families), key=families.count)
    at_site = request_of(engine(rng, 16, 1, 0.5), 7)
    for valve in at_site["valves"]:
        own = [row["thickness"] for row in rows if (row["site"], row["family"]) == (site, family)]
        valve["shim"]["thickness"] = rng.choice(own)
        valve["shim"]["known_by"] = "measured"
    del at_site["stock"], at_site["catalogue"]
    bodies["POST /plans, 16 valves x a site's stock"] = at_site | {"site": site, "family": family}

    def asking(body: dict[str, Any]) -> Callable[[], httpx.Response]:
        return lambda: http.post("/api/v1/plans", json=body)

    return {name: asking(body) for name, body in bodies.items()}


def reads(http: httpx.Client) -> dict[str, Callable[[], httpx.Response]]:
    first = http.get("/api/v1/stock").json()["items"][0]
    filtered = {"site": first["site"], "family": first["family"], "thickness_max": "2.7mm"}
    return {
        "bare: GET /healthz": lambda: http.get("/healthz"),
        "one row: GET /sites/<code>": lambda: http.get(f"/api/v1/sites/{first['site']}"),
        "GET /stock, a page of 50": lambda: http.get("/api/v1/stock"),
        "GET /stock, a family up to 2.7 mm": lambda: http.get("/api/v1/stock", params=filtered),
        "GET /jobs, open ones": lambda: http.get("/api/v1/jobs", params={"open": "true"}),
    }


def measure(calls: dict[str, Callable[[], httpx.Response]]) -> dict[str, list[float]]:
    taken: dict[str, list[float]] = {name: [] for name in calls}
    for round_ in range(ROUNDS + WARM):
        for name, call in calls.items():
            began = time.perf_counter()
            response = call()
            took = time.perf_counter() - began
            if response.status_code != 200:
                raise SystemExit(f"{name}: {response.status_code} {response.text[:500]}")
            if round_ >= WARM:
                taken[name].append(took * 1_000)
    return taken


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--url", help="a server that runs, such as http://127.0.0.1:8000")
    parser.add_argument("--key", help="its API key")
    options = parser.parse_args()
    with ExitStack() as stack:
        url, key = (options.url, options.key) if options.url else demo(stack)
        headers = {"Authorization": f"Bearer {key}"}
        http = stack.enter_context(httpx.Client(base_url=url, headers=headers, timeout=30))
        taken = measure(reads(http) | plans(http))
    row = statistics.median(taken["one row: GET /sites/<code>"])
    print(f"{'ms':>44}  median     p95  x one row")
    for name, times in taken.items():
        median, late = statistics.median(times), statistics.quantiles(times, n=20)[-1]
        print(f"{name:>44} {median:7.2f} {late:7.2f} {median / row:10.1f}")


if __name__ == "__main__":
    main()
