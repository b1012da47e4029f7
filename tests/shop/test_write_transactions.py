"""Law 2: a lost race is run again, five times at most, and only a lost race."""

import threading

import psycopg
import pytest
from django.db import DatabaseError, IntegrityError, ProgrammingError, connection, connections, transaction
from django.db.utils import OperationalError

from shop.db import Failure, atomic_write, classify, write_transaction
from shop.errors import Busy, NotEnough
from shop.models import Site

committing = pytest.mark.django_db(transaction=True)


def lose_a_race(sqlstate):
    """Have PostgreSQL itself report the state, as it would after a lost race."""
    with connection.cursor() as cursor:
        cursor.execute(f"DO $$ BEGIN RAISE EXCEPTION USING ERRCODE = '{sqlstate}'; END $$")


@committing
@pytest.mark.postgresql
@pytest.mark.parametrize("sqlstate", ["40001", "40P01"])
def test_a_lost_race_is_run_again_from_the_start_and_leaves_one_effect(sqlstate):
    tries, told = [], []

    @write_transaction
    def open_site():
        tries.append(1)
        transaction.on_commit(lambda: told.append(len(tries)))
        Site.objects.create(code="a", name=f"Try {len(tries)}")
        if len(tries) < 4:
            lose_a_race(sqlstate)
        return len(tries)

    assert open_site() == 4
    assert Site.objects.get().name == "Try 4"
    assert told == [4]


@committing
@pytest.mark.postgresql
def test_five_more_tries_and_then_the_answer_is_busy():
    tries = []

    @write_transaction
    def hopeless():
        tries.append(1)
        lose_a_race("40001")

    with pytest.raises(Busy, match="nothing was changed"):
        hopeless()
    assert len(tries) == 6


@committing
@pytest.mark.postgresql
def test_inside_an_open_transaction_nothing_is_run_again():
    tries = []

    @write_transaction
    def inner():
        tries.append(1)
        lose_a_race("40001")

    with pytest.raises(OperationalError), transaction.atomic():
        inner()
    assert len(tries) == 1


@committing
@pytest.mark.postgresql
def test_two_that_lock_in_opposite_order_both_get_through():
    """A real deadlock: the database ends one of the two, which then runs again."""
    for code in "ab":
        Site.objects.create(code=code, name="0")
    both_hold_one = threading.Barrier(2)
    tries = {"ab": 0, "ba": 0}

    @write_transaction
    def rename(order):
        tries[order] += 1
        for index, code in enumerate(order):
            site = Site.objects.select_for_update().get(code=code)
            site.name = str(int(site.name) + 1)
            site.save()
            if index == 0 and tries[order] == 1:
                both_hold_one.wait(5)

    def in_thread(order):
        rename(order)
        connections.close_all()

    crowd = [threading.Thread(target=in_thread, args=(order,)) for order in tries]
    for thread in crowd:
        thread.start()
    for thread in crowd:
        thread.join()
    assert list(Site.objects.values_list("name", flat=True)) == ["2", "2"]
    # The one that was ended ran again; while it did, it may have met the other a second time.
    assert max(tries.values()) >= 2


@committing
def test_a_refusal_or_a_broken_rule_is_not_run_again_and_leaves_nothing():
    tries = []

    @write_transaction
    def refused(error):
        tries.append(1)
        Site.objects.create(code="a", name="A")
        if error is IntegrityError:
            Site.objects.create(code="a", name="A")
        raise error("no")

    for error in (NotEnough, IntegrityError):
        with pytest.raises(error):
            refused(error)
    assert len(tries) == 2
    assert not Site.objects.exists()


@committing
def test_what_joins_a_transaction_is_undone_alone_when_it_is_caught():
    @write_transaction
    def refused():
        Site.objects.create(code="undone", name="Undone")
        raise NotEnough("no")

    with atomic_write():
        Site.objects.create(code="kept", name="Kept")
        with pytest.raises(NotEnough):
            refused()
    assert [site.code for site in Site.objects.all()] == ["kept"]


@committing
@pytest.mark.postgresql
def test_a_row_that_stays_locked_is_busy_and_the_limits_are_set():
    with connection.cursor() as cursor:
        found = {}
        for name in ("lock_timeout", "statement_timeout", "transaction_isolation"):
            cursor.execute(f"SHOW {name}")
            found[name] = cursor.fetchone()[0]
    assert found == {
        "lock_timeout": "3s",
        "statement_timeout": "10s",
        "transaction_isolation": "read committed",
    }
    Site.objects.create(code="a", name="A")
    locked, done = threading.Event(), threading.Event()

    def hold_the_row():
        with transaction.atomic():
            Site.objects.select_for_update().get()
            locked.set()
            done.wait(10)
        connections.close_all()

    holder = threading.Thread(target=hold_the_row)
    holder.start()
    locked.wait(5)
    try:
        # A session's setting, so that the test need not wait for three seconds.
        with connection.cursor() as cursor:
            cursor.execute("SET lock_timeout = 50")
        with pytest.raises(Busy), atomic_write():
            Site.objects.update(name="B")
    finally:
        done.set()
        holder.join()
        connection.close()


@committing
@pytest.mark.postgresql
@pytest.mark.owner
def test_a_connection_that_was_cut_is_away_and_the_next_one_works():
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_backend_pid()")
        victim = cursor.fetchone()[0]
    killer = connection.copy()
    with killer.cursor() as cursor:
        cursor.execute("SELECT pg_terminate_backend(%s, 5000)", [victim])
    killer.close()
    with pytest.raises(DatabaseError) as cut:
        Site.objects.count()
    assert classify(cut.value) is Failure.AWAY
    connection.close()
    assert Site.objects.count() == 0


def test_an_answer_that_breaks_off_tells_of_a_database_that_is_away():
    """What the server's library makes up itself has no state: here its word for a connection never had."""
    never = psycopg.pq.PGconn.connect(b"host=/nowhere dbname=none")
    fatal = never.make_empty_result(psycopg.pq.ExecStatus.FATAL_ERROR)
    for cause, meaning in (
        (psycopg.errors.error_from_result(fatal), Failure.AWAY),
        (psycopg.ProgrammingError("can't adapt type"), Failure.OTHER),
    ):
        error = DatabaseError(str(cause))
        error.__cause__ = cause
        assert classify(error) is meaning


@pytest.mark.django_db
def test_a_mistake_in_sql_is_neither_busy_nor_away():
    with pytest.raises(DatabaseError) as mistake, transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SELECT nothing FROM nowhere")
    assert classify(mistake.value) is Failure.OTHER
    assert classify(ProgrammingError("no cause")) is Failure.OTHER
    assert classify(ValueError("database is locked")) is Failure.OTHER
