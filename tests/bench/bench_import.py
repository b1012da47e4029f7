"""How long a table of 50,000 rows takes to be checked and applied, and for how long it keeps others waiting.

    python -m tests.bench.bench_import [--rows 50000] [--database sqlite|postgresql]

Bars: an import of 50,000 rows takes under 30 s; other writers wait at most 2 s meanwhile and memory grows by
at most 100 MiB (S6); a bad row 49,999 leaves nothing behind. The other writer moves and holds shims at the
same site, in bins that the table does not name: what it names must not move (it would be refused).
"""

import argparse
import io
import resource
import sys
import threading
import time

from tests.bench.each_database import on_each_database

SIZES = 49


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=50_000)
    return on_each_database(parser, "tests.bench.bench_import", bench)


def bench(options: argparse.Namespace) -> int:
    rows = options.rows
    from django.core.management import call_command  # noqa: PLC0415 - all of it needs django.setup()
    from django.db import connection  # noqa: PLC0415

    from inventory.models import ImportRow, Movement  # noqa: PLC0415
    from inventory.selectors.audit import audit  # noqa: PLC0415
    from tests.faults.acts import Shop, found  # noqa: PLC0415

    print(f"-- {connection.vendor}, {rows:,} rows --")
    call_command("migrate", verbosity=0)
    found()
    shop = Shop()
    bins = bring(shop, "bins", bin_table(rows))
    assert bins["state"] == "applied", bins
    print(f"the bins first: {bins['check']:.1f} s to check, {bins['apply']:.1f} s to apply")
    before = Movement.objects.count()
    bad = bring(shop, "stock", stock_table(rows, bad=rows - 1))
    assert bad["state"] == "refused", bad
    assert Movement.objects.count() == before
    print(f"a bad row {rows - 1:,}: refused after {bad['check']:.1f} s, no movement, {bad['message']!r}")
    base = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    writer = OtherWriter(shop)
    writer.start()
    good = bring(shop, "stock", stock_table(rows))
    writer.stop()
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - base) / 1024
    assert good["state"] == "applied", good
    assert audit() == []
    print(
        f"stock: {good['check']:.1f} s to check, {good['apply']:.1f} s to apply, "
        f"{good['check'] + good['apply']:.1f} s in all (bar 30 s)"
    )
    waits = sorted(writer.waits)
    print(
        f"the other writer: {len(waits)} acts, median {waits[len(waits) // 2] * 1000:.0f} ms, "
        f"longest {waits[-1]:.2f} s (bar 2 s); peak memory grew by {grown:.0f} MiB (bar 100)"
    )
    print(f"staged rows: {ImportRow.objects.count():,}; audit clean")
    return 0 if good["check"] + good["apply"] <= 30 and waits[-1] <= 2 and grown <= 100 else 1


def bin_table(rows: int) -> str:
    lines = [f"C{n},C{n // 1000},{n // 100 % 10 + 1},{n % 100 + 1}" for n in range(rows // SIZES + 1)]
    return "code,cabinet,row,column\n" + "\n".join(lines) + "\n"


def stock_table(rows: int, bad: int | None = None) -> str:
    """One row for each size in each bin."""
    lines = [
        f"C{n // SIZES},disc29,{2_000 + 25 * (n % SIZES):04d},{'new' if n != bad else 'bad'},{n % 7 + 1}"
        for n in range(rows)
    ]
    return "bin,family,thickness [um],condition,quantity\n" + "\n".join(lines) + "\n"


def bring(shop, kind: str, text: str) -> dict:
    from inventory.imports.runs import apply_import, stage_import  # noqa: PLC0415
    from inventory.models import ImportRun  # noqa: PLC0415
    from shop.background.work import work_once  # noqa: PLC0415

    began = time.perf_counter()
    run = stage_import(**shop.here, kind=kind, file=io.BytesIO(text.encode()), name=f"{kind}.csv")
    work_once()
    checked = time.perf_counter()
    run.refresh_from_db()
    if run.state == ImportRun.State.CHECKED:
        apply_import(run=run, **shop.by)
        work_once()
        run.refresh_from_db()
    applied = time.perf_counter()
    return {
        "state": run.state,
        "message": run.message,
        "check": checked - began,
        "apply": applied - checked,
    }


class OtherWriter(threading.Thread):
    """Somebody who goes on moving and holding shims, and how long each act took."""

    def __init__(self, shop) -> None:
        super().__init__(daemon=True)
        self.shop = shop
        self.waits: list[float] = []
        self._over = threading.Event()

    def run(self) -> None:
        from django.db import connections  # noqa: PLC0415
        from django.utils import timezone  # noqa: PLC0415

        from inventory.services.floor import move_shims  # noqa: PLC0415
        from inventory.services.holds import hold_shims, release_hold  # noqa: PLC0415
        from shop.actor import service_actor  # noqa: PLC0415

        shop, here, there = self.shop, 0, 1
        while not self._over.is_set():
            by = {"actor": service_actor(), "at": timezone.now()}
            source, target = shop.bins[here], shop.bins[there]
            shims = [shop.shims(0, 1, place=target)]
            self._timed(move_shims, site=shop.site, **by, source=source, shims=shims)
            here, there = there, here
            wanted = [shop.wanted(2)]
            hold = self._timed(hold_shims, site=shop.site, **by, lines=wanted, reference="Order 1")
            self._timed(release_hold, hold=hold, **by)
            time.sleep(0.02)
        connections.close_all()

    def stop(self) -> None:
        self._over.set()
        self.join(60)

    def _timed(self, act, **words):
        began = time.perf_counter()
        try:
            return act(**words)
        finally:
            self.waits.append(time.perf_counter() - began)


if __name__ == "__main__":
    sys.exit(main())
