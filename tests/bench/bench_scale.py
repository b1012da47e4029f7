"""How the service does with large books on PostgreSQL: 2,000,000 lines, 200,000 balances, 50 sites.

    python -m tests.bench.bench_scale [--lines 2000000] [--balances 200000] [--sites 50] [--plans]

Bars (issue 3): the stock page of one site and GET /api/v1/stock for one family answer in under 50 ms (median)
with a number of queries that does not depend on what there is; a hold in under 15 ms; the history of a bin in
under 50 ms, and so are, by our own wish, the history of a size and which bins are due to be counted; the
audit of all of it in under 60 s with memory that does not grow with the books. The tables are filled as rows
(scale_books.py); all that is timed is the service's own code, in this process, the audit in one of its own.
`--plans` prints how PostgreSQL answers each of the queries.
"""

import argparse
import logging
import os
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

import django

from tests import environment

ROOT = Path(__file__).resolve().parents[2]
TIMES = 40
BARS_MS = {
    "stock page": 50,
    "family page": 50,
    "GET /stock": 50,
    "hold": 15,
    "bin page": 50,
    "history": 50,
    "history of a size": 50,
    "bins due to be counted": 50,
}
AUDIT_SECONDS, AUDIT_MIB = 60, 256


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lines", type=int, default=2_000_000)
    parser.add_argument("--balances", type=int, default=200_000)
    parser.add_argument("--sites", type=int, default=50)
    parser.add_argument("--plans", action="store_true")
    options = parser.parse_args()
    os.environ[environment.CHOICE] = "postgresql"
    environment.prepare()
    environment.make_database("scale")
    django.setup()
    return bench(options)


def bench(options: argparse.Namespace) -> int:
    from django.core.management import call_command  # noqa: PLC0415 - all of it needs django.setup()

    from inventory.models import Balance, Movement, MovementLine  # noqa: PLC0415
    from tests.bench.scale_books import load  # noqa: PLC0415

    logging.disable(logging.INFO)
    call_command("migrate", verbosity=0)
    began = time.perf_counter()
    sites = load(lines=options.lines, balances=options.balances, sites=options.sites)
    print(
        f"loaded {MovementLine.objects.count():,} lines in {Movement.objects.count():,} movements, "
        f"{Balance.objects.count():,} balances, {len(sites)} sites in {time.perf_counter() - began:.0f} s",
        flush=True,
    )
    missed = [name for name, milliseconds in times(sites, options.plans) if milliseconds > BARS_MS[name]]
    missed += audit_all()
    print(f"bars missed: {', '.join(missed) or 'none'}")
    return 1 if missed else 0


def times(sites, plans: bool) -> list[tuple[str, float]]:
    """What people and programs ask most, at a site in the midst of the others and at one with little."""
    from inventory.services.sites import open_site  # noqa: PLC0415
    from tests.bench.scale_looks import looks_of  # noqa: PLC0415

    small = open_site(code="small", name="Small Yard")
    large_looks, small_looks = looks_of(sites[len(sites) // 2]), looks_of(small)
    found = []
    for name, look in large_looks.items():
        look()  # once for what is only done once
        queries, asked = counted(look)
        small_looks[name]()
        few, _ = counted(small_looks[name])
        seconds = sorted(timed(look) for _ in range(TIMES))
        milliseconds = median(seconds) * 1000
        same = "" if few == queries else f", {few} AT A SITE WITH LITTLE"
        print(
            f"{name}: median {milliseconds:.1f} ms (bar {BARS_MS[name]}), least {seconds[0] * 1000:.1f} ms, "
            f"{queries} queries{same}",
            flush=True,
        )
        found.append((name, milliseconds if few == queries else float("inf")))
        if plans:
            explain(asked)
    return found


def timed(look: Callable[[], object]) -> float:
    began = time.perf_counter()
    look()
    return time.perf_counter() - began


def counted(look: Callable[[], object]) -> tuple[int, list[tuple[str, object]]]:
    """How many queries a look sends, and which."""
    from django.db import connection  # noqa: PLC0415

    asked: list[tuple[str, object]] = []

    def note(execute, sql, params, many, context):
        asked.append((sql, params))
        return execute(sql, params, many, context)

    with connection.execute_wrapper(note):
        look()
    return len(asked), asked


def explain(asked: list[tuple[str, object]]) -> None:
    from django.db import connection  # noqa: PLC0415

    with connection.cursor() as cursor:
        for sql, params in asked:
            if not sql.lstrip().upper().startswith("SELECT") or "inventory_" not in sql:
                continue
            cursor.execute(f"EXPLAIN (ANALYZE, COSTS OFF) {sql}", params)
            print(f"    {' '.join(sql.split())[:160]}")
            for (line,) in cursor.fetchall():
                print(f"      {line}")


def audit_all() -> list[str]:
    """The audit as anybody runs it, in a process of its own; the bars that it misses."""
    began = time.perf_counter()
    words = [sys.executable, "manage.py", "audit"]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False)
    took = time.perf_counter() - began
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    peak = usage.ru_maxrss / 1024
    worked = usage.ru_utime + usage.ru_stime
    print(
        f"audit: {took:.1f} s (bar {AUDIT_SECONDS}; {worked:.0f} s of work in its own process), "
        f"peak {peak:.0f} MiB (bar {AUDIT_MIB}): {done.stdout.strip()[-200:]}{done.stderr[-400:]}"
    )
    missed = [] if done.returncode == 0 else ["audit not clean"]
    missed += ["audit's time"] if took > AUDIT_SECONDS else []
    return missed + (["audit's memory"] if peak > AUDIT_MIB else [])


if __name__ == "__main__":
    sys.exit(main())
