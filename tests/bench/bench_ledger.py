"""How long a hold takes in a crowd, and how long the audit of a million lines takes, on both databases.

    python -m tests.bench.bench_ledger [--lines 1000000] [--database sqlite|postgresql]

Bars: L1 (a hold among 64 at once: p99 at most 300 ms), L14 (the audit of 1 M lines: 10 s on PostgreSQL, 20 s
on SQLite). The lines are loaded around the services, with the chain that these would have written; everything
that is timed is the service's own code.
"""

import argparse
import resource
import sys
import time
from datetime import datetime, timedelta
from statistics import median
from uuid import UUID

from tests.bench.each_database import on_each_database

CROWD, ROUNDS = 64, 15
TIMES = 60
CHUNK = 20_000
LOADED_NM = 2_700_000


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lines", type=int, default=1_000_000)
    return on_each_database(parser, "tests.bench.bench_ledger", bench)


def bench(options: argparse.Namespace) -> int:
    lines = options.lines
    from django.core.management import call_command  # noqa: PLC0415 - all of it needs django.setup()
    from django.db import connection  # noqa: PLC0415

    from tests.faults.acts import Shop, found  # noqa: PLC0415

    print(f"-- {connection.vendor} --")
    call_command("migrate", verbosity=0)
    found()
    shop = Shop()
    hold_in_a_crowd(shop)
    began = time.perf_counter()
    load(shop, lines)
    print(f"loaded {lines:,} lines in {time.perf_counter() - began:.0f} s (not what is measured)")
    acts_alone(shop)
    audit_all()
    return 0


def hold_in_a_crowd(shop) -> None:
    from inventory.services.floor import receive_shims  # noqa: PLC0415
    from inventory.services.holds import hold_shims  # noqa: PLC0415
    from tests.concurrency.crowd import at_once  # noqa: PLC0415

    receive_shims(**shop.here, shims=[shop.shims(0, CROWD * ROUNDS)])
    seconds: list[float] = []

    def hold(index, number):
        return hold_shims(**shop.here, lines=[shop.wanted(0)], reference=f"Order {index}")

    def check(number, outcomes):
        assert not any(outcome.error for outcome in outcomes), outcomes
        seconds.extend(outcome.seconds for outcome in outcomes)

    at_once(CROWD, ROUNDS, hold, check)
    show("hold of one size, 64 threads at once", seconds)


def acts_alone(shop) -> None:
    """With the loaded books beneath: one person, nobody else."""
    from inventory.services.floor import move_shims, receive_shims  # noqa: PLC0415
    from inventory.services.holds import hold_shims, release_hold  # noqa: PLC0415

    receive_shims(**shop.here, shims=[shop.shims(0, TIMES)])

    def hold_and_release():
        hold = hold_shims(**shop.here, lines=[shop.wanted(1)], reference="Order 1")
        return release_hold(hold=hold, **shop.by)

    acts = {
        "hold and release": hold_and_release,
        "move one line": lambda: move_shims(
            **shop.here, source=shop.bins[0], shims=[shop.shims(0, 1, place=shop.bins[1])]
        ),
        "receive 40 lines": lambda: receive_shims(**shop.here, shims=[shop.shims(2, 1)] * 40),
    }
    for name, act in acts.items():
        seconds = []
        for _ in range(TIMES):
            began = time.perf_counter()
            act()
            seconds.append(time.perf_counter() - began)
        show(name, seconds)


def audit_all() -> None:
    from inventory.models import MovementLine  # noqa: PLC0415
    from inventory.selectors.audit import CHECKS, audit  # noqa: PLC0415
    from shop.db import read_snapshot  # noqa: PLC0415

    with read_snapshot():
        for check in CHECKS:
            began = time.perf_counter()
            found = list(check())
            assert not found, found[:3]
            print(f"  {check.__name__:<14} {time.perf_counter() - began:6.2f} s")
        began, worked = time.perf_counter(), time.process_time()
        assert audit() == []
        took, worked = time.perf_counter() - began, time.process_time() - worked
        lines = MovementLine.objects.count()
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"audit of {lines:,} lines: {took:.1f} s ({worked:.1f} s of this process's own work), "
        f"at most {memory:.0f} MiB"
    )


def load(shop, lines: int) -> None:
    """Movements of two lines round the three bins, chained as the service does it; triggers off meanwhile."""
    from django.db import connection, transaction  # noqa: PLC0415

    from inventory import triggers  # noqa: PLC0415
    from inventory.models import Balance, ChainHead, Movement, MovementLine  # noqa: PLC0415

    head = ChainHead.objects.get(site=shop.site)
    numbers = Movement.objects.latest("seq").seq, MovementLine.objects.latest("id").pk
    with transaction.atomic():
        triggers.remove(connection)
        # A multiple of three, so that no bin ends below zero: each ends with what it began with.
        for first in range(0, lines // 6 * 3, CHUNK):
            count = min(CHUNK, lines // 6 * 3 - first)
            chunk = [_movement(shop, first + number, numbers, head) for number in range(count)]
            _insert("inventory_movement", MOVEMENT, [movement for movement, _, _ in chunk])
            _insert("inventory_movementline", LINE, [line for _, pair, _ in chunk for line in pair])
            _insert("inventory_movementseal", SEAL, [seal for _, _, seal in chunk])
        for place in shop.bins:
            shims = {"place": place, "family": shop.family, "thickness_nm": LOADED_NM, "condition": "new"}
            Balance.objects.create(site=shop.site, **shims)
        head.save()
        if connection.vendor == "postgresql":
            with connection.cursor() as cursor:
                cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")  # else the triggers could not be made
                for table, column in (("inventory_movement", "seq"), ("inventory_movementline", "id")):
                    last = f"(SELECT MAX({column}) FROM {table})"
                    cursor.execute(f"SELECT setval(pg_get_serial_sequence('{table}', '{column}'), {last})")
        triggers.install(connection)
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")


MOVEMENT = ("seq", "uid", "site_id", "reason", "at", "actor", "request_id", "document", "note")
LINE = ("id", "movement_id", "position", "place_id", "family_id", "thickness_nm", "condition", "quantity")
SEAL = ("movement_id", "site_id", "position", "line_count", "previous_hash", "hash")


def _movement(shop, number: int, numbers: tuple[int, int], head) -> tuple[tuple, list[tuple], tuple]:
    """The rows of one movement; moves the head on."""
    from inventory.services.ledger import digest  # noqa: PLC0415
    from shop.ids import new_id  # noqa: PLC0415

    seq, uid = numbers[0] + number + 1, new_id()
    at = shop.by["at"] + timedelta(seconds=number)
    pair = [
        (position, shop.bins[(number + position) % 3].pk, shop.family.pk, LOADED_NM, "new", quantity)
        for position, quantity in enumerate((-1, 1))
    ]
    fields = [str(uid), str(shop.site.pk), "move", at.isoformat(timespec="microseconds"), "Coldgap"]
    chained = [[line[0], str(line[1]), str(line[2]), *line[3:]] for line in pair]
    previous, head.hash = head.hash, digest(head.hash, [*fields, "", "", "", "", "", "", chained])
    head.position += 1
    return (
        (seq, uid, shop.site.pk, "move", at, "Coldgap", "", "", ""),
        [(numbers[1] + 2 * number + 1 + line[0], seq, *line) for line in pair],
        (seq, shop.site.pk, head.position, 2, previous, head.hash),
    )


def _insert(table: str, columns: tuple[str, ...], rows: list[tuple]) -> None:
    from django.db import connection  # noqa: PLC0415

    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            with cursor.copy(f"COPY {table} ({', '.join(columns)}) FROM STDIN") as copy:
                for row in rows:
                    copy.write_row(row)
            return
        # As Django's backend writes UUIDs and times.
        plain = [
            tuple(
                value.hex
                if isinstance(value, UUID)
                else value.replace(tzinfo=None).isoformat(" ")
                if isinstance(value, datetime)
                else value
                for value in row
            )
            for row in rows
        ]
        marks = ", ".join(["%s"] * len(columns))
        cursor.executemany(f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({marks})", plain)


def show(what: str, seconds: list[float]) -> None:
    ordered = sorted(seconds)
    p99 = ordered[max(0, round(len(ordered) * 0.99) - 1)]
    print(
        f"{what}: p50 {median(ordered) * 1000:.1f} ms, p99 {p99 * 1000:.1f} ms, "
        f"most {ordered[-1] * 1000:.1f} ms ({len(ordered)} times)"
    )


if __name__ == "__main__":
    sys.exit(main())
