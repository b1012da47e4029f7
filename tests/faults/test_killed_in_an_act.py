"""F9: kill -9 at the statements of every write use case and around its commit: wholly there or not at all.

By default before every fifth statement and around the commit; before and after each with --long.
"""

import contextlib
import inspect
import json
import signal
import subprocess
import sys

import pytest
from django.db import connection, transaction

from inventory.models import (
    Balance,
    ChainHead,
    Hold,
    HoldLine,
    Inspection,
    Movement,
    MovementLine,
    MovementSeal,
    Need,
    PurchaseEvent,
    PurchaseLine,
    PurchaseList,
    ReceiptLine,
    SupplierClaim,
)
from inventory.selectors.audit import audit
from inventory.services import claims, fitting, floor, holds, outside_fit, purchasing, receiving
from shop.models import Task
from tests.concurrency.workers import service_environment
from tests.faults.acts import ACTS, Shop, found
from tests.servers.children import die_with_parent, wait_until

pytestmark = pytest.mark.django_db(transaction=True)


class Crasher:
    """The process that has acts die (crasher.py)."""

    MODULE = "tests.faults.crasher"
    ENVIRONMENT: dict[str, str] = {}

    def __init__(self, log):
        with log.open("wb") as sink:
            self.process = subprocess.Popen(
                [sys.executable, "-m", self.MODULE],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=sink,
                env=service_environment() | self.ENVIRONMENT,
                text=True,
                preexec_fn=die_with_parent(signal.SIGKILL),
            )
        self.log = log
        assert self._answer() == "ready"

    def kill(self, act, place):
        """Have `act` die at `place`; how many statements it had sent."""
        answer = self.order(act, place)
        assert answer["killed"], (act, place, answer, self.log.read_text()[-2000:])
        return answer["statements"]

    def order(self, act, place):
        """Have `act` die at `place` if it comes there; what the crasher says of it."""
        return self.ask({"act": act, "at": place})

    def ask(self, order):
        self.process.stdin.write(json.dumps(order) + "\n")
        self.process.stdin.flush()
        return self._answer()

    def _answer(self):
        line = self.process.stdout.readline()
        assert line, self.log.read_text()[-2000:]
        return json.loads(line)

    def close(self):
        self.process.stdin.close()
        self.process.wait(20)
        self.process.stdout.close()


@pytest.fixture(scope="module")
def crashers():
    """One process for the module, started when the database is there."""
    with contextlib.ExitStack() as stack:
        made = {}

        def get(folder):
            if not made:
                made["one"] = Crasher(folder / "crasher.log")
                stack.callback(made["one"].close)
            return made["one"]

        yield get


@pytest.fixture
def crasher(crashers, tmp_path_factory, transactional_db):
    return crashers(tmp_path_factory.getbasetemp())


def picture():
    """Everything that an act may change, without ids: those differ from one run to the next."""
    return {
        "movements": sorted(Movement.objects.values_list("reason", "document", "note")),
        "lines": sorted(
            MovementLine.objects.values_list("place__code", "thickness_nm", "condition", "quantity")
        ),
        "seals": MovementSeal.objects.count(),
        "heads": sorted(ChainHead.objects.values_list("site__code", "position")),
        "balances": sorted(
            Balance.objects.values_list("place__code", "thickness_nm", "condition", "on_hand", "held")
        ),
        "holds": sorted(
            Hold.objects.values_list("reference", "state", "version", "expires_at", "resolved_by"), key=str
        ),
        "hold lines": sorted(
            HoldLine.objects.values_list("position", "place__code", "thickness_nm", "quantity", "fitted")
        ),
        "needs": sorted(Need.objects.values_list("valve_label", "state", "line__thickness_nm"), key=str),
        "lists": sorted(PurchaseList.objects.values_list("number", "state", "version")),
        "list events": PurchaseEvent.objects.count(),
        "list lines": sorted(PurchaseLine.objects.values_list("thickness_nm", "quantity", "received")),
        "found": sorted(ReceiptLine.objects.values_list("good", "damaged", "short", "receipt__document")),
        "claims": sorted(SupplierClaim.objects.values_list("kind", "quantity", "state", "version")),
        "inspections": list(Inspection.objects.values_list("thickness_keyed", "face")),
        "tasks": sorted(Task.objects.values_list("kind", "state")),
    }


def settled():
    """The database, once it has noticed that the process is gone: PostgreSQL rolls back then."""
    if connection.vendor == "postgresql":
        wait_until(_alone, seconds=10, what="the killed session's end")
    return picture()


def _alone():
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM pg_stat_activity WHERE datname = current_database()")
        return cursor.fetchone()[0] == 1


def deaths(name, statements, *, every):
    """Where an act dies: before and after each of its statements with `every`, else before each fifth, one
    at least; other ones in other acts, and on the other database."""
    if every:
        return [f"{moment} {number}" for number in range(1, statements + 1) for moment in ("before", "after")]
    first = 1 + (len(name) + 2 * (connection.vendor == "postgresql")) % 5
    return [f"before {number}" for number in range(min(first, statements), statements + 1, 5)]


@pytest.mark.parametrize("name", sorted(ACTS))
def test_wholly_there_or_not_at_all(name, crasher, request):
    found()
    ACTS[name].before(Shop())
    before = picture()
    with transaction.atomic():
        ACTS[name].run(Shop())
        after = picture()
        transaction.set_rollback(True)
    assert before != after
    statements = crasher.kill(name, "before commit")
    assert settled() == before
    for point in deaths(name, statements, every=request.config.getoption("--long")):
        crasher.kill(name, point)
        assert settled() == before, point
    assert audit() == []
    crasher.kill(name, "after commit")
    assert settled() == after
    assert audit() == []


def test_an_act_of_two_transactions_would_show(crasher):
    """The control: two deliveries one after the other, dead before the second's first statement."""
    found()
    before = picture()
    statements = crasher.kill("two deliveries", "after commit")
    first = settled()
    assert before != first
    crasher.kill("two deliveries", f"before {statements + 2}")
    assert settled() not in (before, first)


def test_no_write_use_case_is_missing():
    """Every function of these files that opens a transaction has its act above."""
    services = {
        name
        for module in (claims, fitting, floor, holds, outside_fit, purchasing, receiving)
        for name, function in inspect.getmembers(module, inspect.isfunction)
        if hasattr(function, "__wrapped__")
        and function.__module__ == module.__name__
        and not name.startswith("_")
    }
    assert services == set(ACTS)
