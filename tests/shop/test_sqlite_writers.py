"""Law 1: SQLite as the power-cut replay wants it, and writers that queue instead of failing."""

import contextlib
import fcntl
import functools
import os
import signal
import subprocess
import sys
import threading
import time

import pytest
from django.db import IntegrityError, OperationalError, connection, connections, transaction

from shop.db import Failure, atomic_write, classify, read_snapshot
from shop.db.sqlite.lock import LockTimeoutError, WriteLock, _queues
from shop.errors import Busy
from shop.models import Bay, Site
from tests.servers.children import wait_until
from tests.servers.programs import python

pytestmark = pytest.mark.sqlite
committing = pytest.mark.django_db(transaction=True)


def pragma(name):
    with connection.cursor() as cursor:
        return cursor.execute(f"PRAGMA {name}").fetchone()[0]


@pytest.mark.django_db
def test_the_live_connection_has_the_settings_that_lost_nothing():
    found = {name: pragma(name) for name in ("journal_mode", "synchronous", "recursive_triggers")}
    assert found == {"journal_mode": "wal", "synchronous": 2, "recursive_triggers": 1}
    assert (pragma("foreign_keys"), pragma("busy_timeout")) == (1, 20_000)
    assert connection.transaction_mode == "IMMEDIATE"


def contend(tmp_path, *words):
    bay = Bay.objects.create(site=Site.objects.create(code="a", name="A"), number=0)
    crowd = [
        python(["-m", "tests.shop.contender", *words], log=tmp_path / f"contender{number}.log")
        for number in range(3)
    ]
    for child in crowd:
        assert child.process.wait(60) == 0, child.tail()
    bay.refresh_from_db()
    return bay.number, [child.tail() for child in crowd]


@committing
def test_threads_of_several_processes_write_in_turn(tmp_path):
    counted, words = contend(tmp_path, "40", "3")
    assert counted == 3 * 40 * 3, words
    assert all("errors 0" in line for line in words), words


@committing
def test_without_the_lock_and_immediate_transactions_the_same_writers_fail(tmp_path):
    """The control: Django's own backend and defaults refuse many of these writers at once."""
    counted, words = contend(tmp_path, "40", "3", "plain")
    assert counted < 3 * 40 * 3
    assert any("database is locked" in line for line in words), words


@committing
def test_the_lock_is_held_for_a_transaction_and_not_longer():
    lock = connection.write_lock
    with transaction.atomic():
        assert lock.held
        with transaction.atomic():
            Site.objects.create(code="a", name="A")
        assert lock.held
    assert not lock.held
    with contextlib.suppress(ZeroDivisionError), transaction.atomic():
        1 / 0  # noqa: B018
    assert not lock.held


@committing
def test_a_commit_that_fails_gives_the_lock_back_with_its_rollback():
    with pytest.raises(IntegrityError), transaction.atomic(), connection.cursor() as cursor:
        # Foreign keys are checked at the commit.
        cursor.execute("INSERT INTO shop_bay (id, site_id, number, name) VALUES ('b', 'nowhere', 1, '')")
    assert not connection.write_lock.held
    assert not Bay.objects.exists()


@committing
def test_a_connection_closed_inside_a_transaction_gives_the_lock_back():
    with contextlib.suppress(Exception), transaction.atomic():
        connection.close()
    assert not connection.write_lock.held
    Site.objects.create(code="a", name="A")


@contextlib.contextmanager
def other_writer():
    other = WriteLock()
    other.acquire(connection.lock_path, 1)
    try:
        yield
    finally:
        other.release()


@pytest.fixture
def impatient(transactional_db):
    """This test's connection waits for 0.2 s only."""
    connection.ensure_connection()
    connection.settings_dict["OPTIONS"] = connection.settings_dict["OPTIONS"] | {"timeout": 0.2}
    yield
    connection.settings_dict["OPTIONS"] = connection.settings_dict["OPTIONS"] | {"timeout": 20}


def test_a_statement_outside_a_transaction_queues_as_well_and_reading_never_does(impatient):
    with other_writer():
        with pytest.raises(OperationalError, match="database is locked") as refused:
            Site.objects.create(code="a", name="A")
        assert classify(refused.value) is Failure.BUSY
        assert not Site.objects.exists()
    Site.objects.create(code="a", name="A")


def test_a_service_is_told_that_the_database_is_busy(impatient):
    with other_writer(), pytest.raises(Busy), atomic_write():
        Site.objects.create(code="a", name="A")


@committing
def test_a_snapshot_waits_for_nobody_writes_nothing_and_sees_one_moment():
    with other_writer(), read_snapshot():
        assert Site.objects.count() == 0
        with pytest.raises(OperationalError, match="readonly"), transaction.atomic():
            Site.objects.create(code="a", name="A")
    with read_snapshot():
        assert Site.objects.count() == 0
        writer = threading.Thread(target=create_elsewhere)
        writer.start()
        writer.join()
        assert Site.objects.count() == 0
    assert Site.objects.count() == 1
    Site.objects.create(code="b", name="B")


def create_elsewhere():
    Site.objects.create(code="elsewhere", name="Elsewhere")
    connections.close_all()


# --- The lock by itself ----------------------------------------------------------------------------------


@pytest.fixture
def path(tmp_path):
    return tmp_path / "a.lock"


def test_one_holds_it_and_the_next_gets_it(path):
    first, second = WriteLock(), WriteLock()
    first.acquire(path, 1)
    got = []
    waiter = threading.Thread(target=lambda: (second.acquire(path, 5), got.append(time.monotonic())))
    waiter.start()
    time.sleep(0.1)
    released = time.monotonic()
    first.release()
    waiter.join()
    assert second.held
    assert 0 <= got[0] - released < 0.5
    first.release()
    second.release()


def test_who_gave_up_waiting_does_not_get_it_afterwards(path):
    first, second, third = WriteLock(), WriteLock(), WriteLock()
    first.acquire(path, 1)
    with pytest.raises(LockTimeoutError, match=r"0\.1 s"):
        second.acquire(path, 0.1)
    assert not second.held
    first.release()
    third.acquire(path, 5)
    third.release()
    second.acquire(path, 5)
    for lock in (first, second, third):
        lock.release()


def test_it_is_there_at_once_or_not_at_all(path):
    first, second = WriteLock(), WriteLock()
    assert first.acquire_at_once(path)
    assert not second.acquire_at_once(path)
    first.release()
    assert second.acquire_at_once(path)
    second.release()
    with path.open() as other_process:
        fcntl.flock(other_process, fcntl.LOCK_EX)
        assert not first.acquire_at_once(path)
    assert first.acquire_at_once(path)
    with pytest.raises(RuntimeError, match="already"):
        first.acquire_at_once(path)
    first.release()
    assert kernel_has_it(path)


def in_thread(act):
    thread = threading.Thread(target=act)
    thread.start()
    return thread


def test_threads_of_one_process_get_it_in_the_order_in_which_they_came(path):
    first, order, threads = WriteLock(), [], []
    first.acquire(path, 1)

    def want(number):
        lock = WriteLock()
        lock.acquire(path, 5)
        order.append(number)
        lock.release()

    for number in range(5):
        threads.append(in_thread(functools.partial(want, number)))
        wait_until(lambda: len(_queues[path]._waiting) == len(threads), seconds=5, what="the queue")
    first.release()
    for thread in threads:
        thread.join()
    assert order == [0, 1, 2, 3, 4]
    assert kernel_has_it(path)


def kernel_has_it(path):
    """Whether anybody else, a process say, could have the file's lock now."""
    with path.open() as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True


def test_threads_that_pass_it_on_keep_another_process_waiting_for_a_moment_only(path):
    stop = threading.Event()

    def go_on():
        while not stop.is_set():
            lock = WriteLock()
            lock.acquire(path, 5)
            time.sleep(0.002)
            lock.release()

    threads = [in_thread(go_on) for _ in range(3)]
    code = (
        "import sys, time; from pathlib import Path; from shop.db.sqlite.lock import WriteLock;"
        "lock = WriteLock(); lock.acquire(Path(sys.argv[1]), 10); lock.release(); print('had it')"
    )
    try:
        words = [sys.executable, "-c", code, str(path)]
        assert subprocess.run(words, capture_output=True, text=True, timeout=30).stdout == "had it\n"
    finally:
        stop.set()
        for thread in threads:
            thread.join()


def test_a_lock_file_that_somebody_deleted_is_made_anew(path):
    lock = WriteLock()
    lock.acquire(path, 1)
    lock.release()
    path.unlink()
    lock.acquire(path, 1)
    assert not kernel_has_it(path)
    lock.release()
    assert kernel_has_it(path)


def test_taking_it_twice_is_a_mistake(path):
    lock = WriteLock()
    lock.acquire(path, 1)
    with pytest.raises(RuntimeError, match="already"):
        lock.acquire(path, 1)
    lock.release()


def test_a_killed_process_gives_it_back(path):
    code = (
        "import sys, time; from pathlib import Path; from shop.db.sqlite.lock import WriteLock;"
        "lock = WriteLock(); lock.acquire(Path(sys.argv[1]), 1); print('held', flush=True); time.sleep(60)"
    )
    words = [sys.executable, "-c", code, str(path)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as holder:
        assert holder.stdout.readline() == "held\n"
        lock = WriteLock()
        with pytest.raises(LockTimeoutError):
            lock.acquire(path, 0.05)
        holder.send_signal(signal.SIGKILL)
        lock.acquire(path, 5)
        lock.release()


@pytest.mark.filterwarnings("ignore:This process .* is multi-threaded:DeprecationWarning")
def test_a_forked_child_does_not_give_back_what_its_parent_holds(path):
    lock, other = WriteLock(), WriteLock()
    lock.acquire(path, 1)
    child = os.fork()
    if child == 0:
        lock.release()
        os._exit(0)
    os.waitpid(child, 0)
    with pytest.raises(LockTimeoutError):
        other.acquire(path, 0.05)
    lock.release()
    other.acquire(path, 1)
    other.release()
