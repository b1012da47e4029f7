"""One line of the service changed at a time; each must be caught by the test that guards it.

    python -m tests.mutations [--only NAME …]

Each mutation is made in a copy of the checkout, and only its own test is run there, on the database that it
names. Before, all of these tests are run unchanged: a test that fails anyway would catch everything. Exit 0
when every mutation was caught.
"""

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
LEFT_OUT = shutil.ignore_patterns(".git", ".venv", "__pycache__", ".*_cache", ".hypothesis", "*.sqlite3*")
LONGEST_SECONDS = 240


@dataclass(frozen=True, slots=True, kw_only=True)
class Mutation:
    """`old` stands in the file exactly once and becomes `new`; `test` must then fail."""

    name: str
    file: str
    old: str
    new: str
    test: str
    database: str = "sqlite"


_LEDGER = "inventory/services/ledger.py"
_GUARDS = "tests/inventory/test_ledger_guards.py"
_WORKER = "shop/serving.py"
_WORKER_TESTS = "tests/shop/test_worker.py"
_FIRST_MIGRATION = "inventory/migrations/0002_where_and_who.py"

MUTATIONS = (
    Mutation(
        name="a promise does not look",
        file=_LEDGER,
        old="    AND held >= %s AND on_hand >= held + %s\n",
        new="    AND held >= %s AND on_hand >= 0 * %s\n",
        test="tests/inventory/test_hold.py::test_held_shims_are_not_held_twice",
    ),
    Mutation(
        name="a promise looks first and writes after",
        file=_LEDGER,
        old="    return change(_IF_AVAILABLE, held_more - release, *key, release, quantity - release) == 1\n",
        new="""    row = _rows(key).first()
    if row is None or row.held < release or row.on_hand < row.held - release + quantity:
        return False
    return bool(_rows(key).update(held=row.held - release + held_more))
""",
        test="tests/api/test_over_http.py::test_sixty_four_after_the_last_ten",
        database="postgresql",
    ),
    Mutation(
        name="lines need not balance",
        file="inventory/triggers.py",
        old="GROUP BY family_id HAVING SUM(quantity) <> 0\n",
        new="GROUP BY family_id HAVING SUM(quantity) > 999\n",
        test=f"{_GUARDS}::test_a_seal_on_lines_that_do_not_sum_to_zero_is_refused",
    ),
    Mutation(
        name="more held than there is",
        file=_FIRST_MIGRATION,
        old="models.Q(('held', 0), ('held__lte', models.F('on_hand')), _connector='OR')",
        new="models.Q(('held', 0), ('held__gte', 0), _connector='OR')",
        test=f"{_GUARDS}::test_a_balance_stays_within_its_limits",
    ),
    Mutation(
        name="rows may be deleted",
        file="inventory/triggers.py",
        old="BEFORE DELETE ON {table} BEGIN {abort} END",
        new="BEFORE DELETE ON {table} WHEN 0 BEGIN {abort} END",
        test=f"{_GUARDS}::test_rows_are_never_changed",
    ),
    Mutation(
        name="a second reversal is not looked for",
        file="inventory/services/floor.py",
        old="if earlier := Movement.objects.filter(reverses=movement).first():",
        new="if earlier := Movement.objects.none().first():",
        test="tests/inventory/test_reverse.py::test_a_movement_is_reversed_once",
    ),
    Mutation(
        name="a hold may resolve again",
        file="inventory/triggers.py",
        old="BEFORE UPDATE ON inventory_hold WHEN OLD.state <> 'held' ",
        new="BEFORE UPDATE ON inventory_hold WHEN OLD.state = 'never' ",
        test=f"{_GUARDS}::test_a_hold_that_is_over_stays_as_it_is",
    ),
    Mutation(
        name="an overdue hold is only over once it is swept",
        file="inventory/services/hold_state.py",
        old="hold.expires_at is not None and hold.expires_at <= at\n",
        new="hold.expires_at is not None and hold.expires_at < hold.created_at\n",
        test="tests/inventory/test_fit_outside.py::test_expired_whether_swept_or_not",
    ),
    Mutation(
        name="what is not fitted stays held",
        file="inventory/services/outside_fit.py",
        old="        unhold[key_of(line, line.place_id)] += line.quantity\n",
        new="        unhold[key_of(line, line.place_id)] += counts.get(line.position, 0)\n",
        test="tests/inventory/test_fit_outside.py::test_hold_four_fit_three",
    ),
    Mutation(
        name="a key may come with another body",
        file="api/idempotency.py",
        old="    if kept.fingerprint != mark:\n",
        new="    if not kept.fingerprint:\n",
        test="tests/api/test_every_write.py::TestEveryWrite::test_happens_once[receive_shims]",
    ),
    Mutation(
        name="a key is written after its effect",
        file="api/idempotency.py",
        old="@write_transaction\ndef _answer_in_transaction(",
        new="def _answer_in_transaction(",
        test="tests/faults/test_killed_in_a_request.py::test_one_effect_wherever_it_was_killed[receive_shims]",
    ),
    Mutation(
        name="not enough does not stick to its key",
        file="api/kinds.py",
        old="STICKING = frozenset({409, 412})",
        new="STICKING = frozenset({412})",
        test="tests/api/test_kept_answers.py::TestSticking::test_not_enough_sticks_also_after_stock_arrived",
    ),
    Mutation(
        name="an act without its transaction",
        file="inventory/services/floor.py",
        old="@write_transaction\ndef receive_shims(",
        new="def receive_shims(",
        test="tests/faults/test_killed_in_an_act.py::test_no_write_use_case_is_missing",
    ),
    Mutation(
        name="what the caller saw does not count",
        file="api/kinds.py",
        old="            check_if_match(seen, etag_of(_bytes(view.represent(thing))))\n",
        new="            etag_of(_bytes(view.represent(thing)))\n",
        test="tests/api/test_every_write.py::TestEveryWrite::test_refusals_change_nothing_and_do_not_stick"
        "[release_hold]",
    ),
    Mutation(
        name="balances are locked as they come",
        file=_LEDGER,
        old="        for key in sorted(places)\n",
        new="        for key in places\n",
        test="tests/concurrency/test_lock_order.py::test_eight_writers_of_many_lines_in_any_order",
        database="postgresql",
    ),
    Mutation(
        name="the audit trusts balances",
        file="inventory/selectors/audit.py",
        old="    conservation,\n    balances,\n",
        new="    conservation,\n",
        test="tests/inventory/test_audit.py::test_1_a_balance_off_by_one",
    ),
    Mutation(
        name="the chain is not hashed anew",
        file="inventory/selectors/audit.py",
        old="link.fields is None or link.hash != digest(previous, link.fields)",
        new="link.fields is None",
        test="tests/inventory/test_audit.py::test_an_edited_movement",
    ),
    Mutation(
        name="the simulation's database need not sync",
        file="tests/faults/simulation.py",
        old="PostgresServer(durable=True)",
        new="PostgresServer()",
        test="tests/faults/test_simulation.py::test_everything_acknowledged_is_there_once",
        database="postgresql",
    ),
    Mutation(
        name="shims that lie are not told of",
        file="inventory/selectors/stale.py",
        old="since is not None and at - since > older_than",
        new="since is not None and at - since > 9 * older_than",
        test="tests/inventory/test_stale.py::test_trays_and_transit",
    ),
    Mutation(
        name="a movement forgets its request",
        file=_LEDGER,
        old="        request_id=actor.request_id,\n",
        new='        request_id="",\n',
        test="tests/inventory/test_who_when_why.py::test_who_when_why[receive_shims]",
    ),
    Mutation(
        name="a quantity without a limit",
        file=_LEDGER,
        old="MOST_QUANTITY = 100_000",
        new="MOST_QUANTITY = 1_000_000",
        test="tests/inventory/test_hold.py::test_a_quantity_out_of_bounds",
    ),
    Mutation(
        name="SQLite need not sync",
        file="shop/settings.py",
        old="PRAGMA synchronous=FULL",
        new="PRAGMA synchronous=NORMAL",
        test="tests/shop/test_sqlite_writers.py::test_the_live_connection_has_the_settings_that_lost_nothing",
    ),
    Mutation(
        name="a table does not look at the books again",
        file="inventory/services/table_posting.py",
        old="        self._refuse_moved()\n",
        new="",
        test="tests/inventory/test_imports.py::test_books_that_move_while_the_table_is_made_ready",
    ),
    Mutation(
        name="a table is applied in two transactions",
        file="inventory/imports/runs.py",
        old="    with room_for_many_rows(), _commit(task, run, result):\n        write()\n",
        new="    with atomic_write():\n        write()\n    with _commit(task, run, result):\n",
        test="tests/faults/test_killed_in_a_table.py::test_a_table_is_wholly_there_or_not_at_all",
    ),
    Mutation(
        name="the stock of a past moment lacks that moment's movement",
        file="inventory/selectors/as_of.py",
        old="movement__seal__position__lte=moment.link",
        new="movement__seal__position__lt=moment.link",
        test="tests/inventory/test_floor_machine.py::test_the_floor_equals_plain_dictionaries",
    ),
    Mutation(
        name="a delivery of many lines without its transaction",
        file="inventory/services/floor.py",
        old="@write_transaction\ndef receive_shims(",
        new="def receive_shims(",
        test="tests/faults/test_killed_in_a_long_delivery.py::test_half_of_a_delivery_is_nothing",
    ),
    Mutation(
        name="SQLite's writers do not queue",
        file="shop/db/sqlite/base.py",
        old="""        self._take_lock()
        try:
            super()._start_transaction_under_autocommit()
""",
        new="""        try:
            self.transaction_mode = "DEFERRED"
            super()._start_transaction_under_autocommit()
""",
        test="tests/api/test_over_http.py::test_eight_write_and_eight_read_side_by_side",
    ),
    Mutation(
        name="who stays on the line is waited for",
        file=_WORKER,
        old="            self._take_leave(conn)\n",
        new="            super().finish_request(conn, fs)\n",
        test=f"{_WORKER_TESTS}::test_nobody_waits_for_those_who_stay_on_the_line",
    ),
    Mutation(
        name="a busy worker takes the next",
        file=_WORKER,
        old="            super().set_accept_enabled(False)\n",
        new="            pass\n",
        test=f"{_WORKER_TESTS}::test_who_can_work_takes_the_next",
    ),
    Mutation(
        name="a worker that ends leaves out who waits",
        file=_WORKER,
        old="        if not self.alive:\n",
        new="        if False:\n",
        test=f"{_WORKER_TESTS}::test_whoever_came_before_the_end_is_answered",
    ),
)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", nargs="*", metavar="NAME", help="some of the names; all unless given")
    options = parser.parse_args()
    chosen = [one for one in MUTATIONS if not options.only or one.name in options.only]
    with tempfile.TemporaryDirectory(prefix="coldgap-mutations-") as folder:
        copy = Path(folder) / "coldgap"
        shutil.copytree(ROOT, copy, ignore=LEFT_OUT)
        failing = unchanged(copy, chosen)
        results = {one.name: one.test not in failing and caught(copy, one) for one in chosen}
    count = sum(results.values())
    print(f"{count} of {len(results)} mutations caught")
    return 0 if count == len(results) else 1


def unchanged(copy: Path, chosen: list[Mutation]) -> set[str]:
    """The tests that fail although nothing was changed."""
    failing = set()
    for database in sorted({one.database for one in chosen}):
        tests = sorted({one.test for one in chosen if one.database == database})
        done = run(copy, tests, database, [])
        print(f"unchanged, {database}: {done.stdout.strip().splitlines()[-1]}", flush=True)
        if done.returncode:
            print(done.stdout[-3000:], flush=True)
            failing |= {test for test in tests if run(copy, [test], database, ["-x"]).returncode}
    return failing


def caught(copy: Path, mutation: Mutation) -> bool:
    """Whether the mutation's test fails with it."""
    path = copy / mutation.file
    before = path.read_text(encoding="utf-8")
    if before.count(mutation.old) != 1:
        print(f"NOT MADE: {mutation.name}: its line stands there {before.count(mutation.old)} times")
        return False
    began = time.monotonic()
    path.write_text(before.replace(mutation.old, mutation.new), encoding="utf-8")
    try:
        done = run(copy, [mutation.test], mutation.database, ["-x"])
    finally:
        path.write_text(before, encoding="utf-8")
    # 1: tests failed. Anything else (no such test, a broken copy) proves nothing.
    good = done.returncode == 1
    print(
        f"{'caught' if good else 'NOT CAUGHT'}: {mutation.name} ({time.monotonic() - began:.0f} s) by "
        f"{mutation.test}",
        flush=True,
    )
    if not good:
        print(done.stdout[-2000:], flush=True)
    return good


def run(copy: Path, tests: list[str], database: str, words: list[str]) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "pytest", *tests, "-q", "-p", "no:randomly", "-p", "no:cacheprovider"]
    return subprocess.run(
        [*command, *words],
        cwd=copy,
        env=os.environ | {"COLDGAP_TEST_DATABASE": database, "PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        text=True,
        timeout=LONGEST_SECONDS * (1 + len(tests) // 5),
        check=False,
    )


if __name__ == "__main__":
    sys.exit(main())
