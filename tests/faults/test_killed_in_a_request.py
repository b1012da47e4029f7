"""L11, F9: kill -9 at the statements of every write of the API, as the resolver has them; then its key again.

The database is afterwards either as it was before the request or as it is after it, whole, and the repeat
makes it the latter with one effect. By default at one point of each write, half way, before the answer is
kept or at the commit, and once its answer is lost; with --long before each statement and each commit.
"""

import contextlib
import itertools

import pytest
from django.apps import apps
from django.db import connection, transaction

from api import limits
from api.idempotency import REPLAYED
from inventory.selectors.audit import audit
from tests.api.conftest import calculator, world
from tests.api.program import API, encoded
from tests.api.writes import CASES, method_of, thing_at, writes
from tests.faults.test_killed_in_an_act import Crasher
from tests.servers.children import wait_until

__all__ = ["calculator", "world"]
pytestmark = pytest.mark.django_db(transaction=True)

# A key says when it was last used, to the minute, whatever becomes of the request.
ASIDE = {"api.ApiKey", "sessions.Session", "contenttypes.ContentType", "auth.Permission"}
TABLES = [
    (model._meta.label, model._meta.db_table)
    for model in apps.get_models()
    if model._meta.managed and model._meta.label not in ASIDE
]
WRITES = [pytest.param(declared, id=declared.name) for _, declared in writes()]
FAR = 1_000_000


class RequestCrasher(Crasher):
    """The process that has requests die (request_crasher.py)."""

    MODULE = "tests.faults.request_crasher"
    ENVIRONMENT = {"COLDGAP_WEBHOOK_ALLOW_PRIVATE": "127.0.0.0/8"}


@pytest.fixture(scope="module")
def crashers():
    with contextlib.ExitStack() as stack:
        made = []

        def get(folder):
            if not made:
                made.append(RequestCrasher(folder / "requests.log"))
                stack.callback(made[0].close)
            return made[0]

        yield get


@pytest.fixture
def crasher(crashers, tmp_path_factory, transactional_db):
    return crashers(tmp_path_factory.getbasetemp())


# One question for all tables instead of one for each: most of them are empty.
COUNTED = " UNION ALL ".join(f"SELECT '{label}', count(*) FROM \"{table}\"" for label, table in TABLES)


def number_of_rows():
    with connection.cursor() as cursor:
        cursor.execute(COUNTED)
        return dict(cursor.fetchall())


def books():
    """Every row of every table but those aside, as the database has it: by way of models it took ten times as
    long."""
    filled = number_of_rows()
    found = {}
    with connection.cursor() as cursor:
        for label, table in TABLES:
            found[label] = []
            if filled[label]:
                cursor.execute(f'SELECT * FROM "{table}"')
                found[label] = sorted(map(repr, cursor.fetchall()))
    return found


def counts(found):
    """How many rows each table has."""
    return without_balances({table: len(rows) for table, rows in found.items()})


def without_balances(numbers):
    """A balance is made by whoever needs it first."""
    return {table: number for table, number in numbers.items() if table != "inventory.Balance"}


def settled():
    """The books once the database has noticed that the process is gone: PostgreSQL rolls back then."""
    if connection.vendor == "postgresql":
        wait_until(_alone, seconds=10, what="the killed session's end")
    return books()


def _alone():
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM pg_stat_activity WHERE datname = current_database()")
        return cursor.fetchone()[0] == 1


class Walk:
    """One write: prepared, killed, looked at, repeated."""

    def __init__(self, world, crasher, declared):
        self.world, self.crasher, self.declared = world, crasher, declared
        self.path, self.body = CASES[declared.name](world)
        thing = thing_at(declared, self.path)
        self.tag = world.program.get(thing)["ETag"] if declared.needs_if_match else None
        self.before = books()
        self.statements = 0
        self.expected = self.alone()

    def kill(self, at):
        """Send it from a process that dies there; whether it did."""
        data, content_type = encoded(self.body)
        answer = self.crasher.ask(
            {
                "text": self.world.program.text,
                "method": method_of(self.declared).upper(),
                "path": API + self.path,
                "data": data if isinstance(data, str) else data.decode(),
                "content_type": content_type,
                "key": "k",
                "tag": self.tag,
                "at": at,
            }
        )
        told = answer, self.crasher.log.read_text()[-2000:]
        assert answer["killed"] or answer["status"] == str(self.declared.status), told
        return answer["killed"]

    def repeat(self):
        limits.here.clear()
        answer = self.world.program.send(
            method_of(self.declared), self.path, self.body, key="k", if_match=self.tag
        )
        assert answer.status_code == self.declared.status, answer.content.decode()
        return answer

    def alone(self):
        """What the request does to the number of rows, undone again."""

        def count(execute, *sent):
            self.statements += 1
            return execute(*sent)

        self.statements = 0
        with transaction.atomic():
            with connection.execute_wrapper(count):
                assert REPLAYED not in self.repeat()
            after = without_balances(number_of_rows())
            transaction.set_rollback(True)
        return after

    def points(self, every):
        """Where to die, in order; the last is far beyond the end, so that only the answer is lost."""
        some = (self.statements // 2, "keep", "commit")
        steps = range(1, FAR) if every else [some[len(self.declared.name) % len(some)]]
        return itertools.chain(steps, [FAR])


@pytest.mark.parametrize("declared", WRITES)
def test_one_effect_wherever_it_was_killed(world, crasher, declared, request):
    walk = Walk(world, crasher, declared)
    died = 0
    for at in walk.points(request.config.getoption("--long")):
        killed = walk.kill(at)
        found = settled()
        if killed and found == walk.before:
            # Nothing of it is there, and the same key does it, once.
            assert walk.alone() == walk.expected, at
            died += 1
            continue
        # All of it, then: the repeat adds nothing and says so.
        assert counts(found) == walk.expected, at
        assert walk.repeat()[REPLAYED] == "true", at
        assert books() == found, at
        break
    else:
        raise AssertionError("it was never done")
    assert died >= 1
    assert audit() == []
