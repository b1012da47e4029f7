"""Emptying the database between tests that commit, although the ledger refuses to be emptied.

Django empties every table after such a test; the triggers that keep the ledger append-only refuse that, as
they must. The owner of the tables takes them away and puts them back in one transaction.
"""

from collections.abc import Iterator
from contextlib import contextmanager

from django.db import transaction
from django.db.backends.base.base import BaseDatabaseWrapper
from psycopg.pq import TransactionStatus


def allow_flush(connection: BaseDatabaseWrapper) -> None:
    """Let `flush` on this connection get past the ledger's triggers."""
    plain = connection.ops.execute_sql_flush

    def flush_without_triggers(sql_list: list[str]) -> None:
        with (
            acting_as_owner(connection),
            transaction.atomic(using=connection.alias),
            _triggers_off(connection),
        ):
            plain(sql_list)

    connection.ops.execute_sql_flush = flush_without_triggers


@contextmanager
def acting_as_owner(connection: BaseDatabaseWrapper) -> Iterator[None]:
    """On PostgreSQL the rights of the tables' owner for a while, in this connection and new ones."""
    if connection.vendor != "postgresql":
        yield
        return
    options = connection.settings_dict["OPTIONS"]
    role = options.pop("assume_role", None)
    _set_role(connection, None)
    try:
        yield
    finally:
        options["assume_role"] = role
        _set_role(connection, role)


def _set_role(connection: BaseDatabaseWrapper, role: str | None) -> None:
    # The driver's connection: Django's may be blocked, as nothing of the test runs any more.
    session = connection.connection
    if session is None or session.closed:
        return
    # A transaction that is broken takes its own role with it when it is rolled back.
    if session.info.transaction_status != TransactionStatus.INERROR:
        session.execute("RESET ROLE" if role is None else f"SET ROLE {role}")


@contextmanager
def _triggers_off(connection: BaseDatabaseWrapper) -> Iterator[None]:
    take_away, put_back = _sqlite(connection) if connection.vendor == "sqlite" else _postgresql(connection)
    with connection.cursor() as cursor:
        for statement in take_away:
            cursor.execute(statement)
    yield
    with connection.cursor() as cursor:
        for statement in put_back:
            cursor.execute(statement)


def _sqlite(connection: BaseDatabaseWrapper) -> tuple[list[str], list[str]]:
    with connection.cursor() as cursor:
        cursor.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
        triggers = cursor.fetchall()
    return [f'DROP TRIGGER "{name}"' for name, _ in triggers], [statement for _, statement in triggers]


def _postgresql(connection: BaseDatabaseWrapper) -> tuple[list[str], list[str]]:
    with connection.cursor() as cursor:
        cursor.execute("SELECT DISTINCT tgrelid::regclass::text FROM pg_trigger WHERE NOT tgisinternal")
        tables = [name for (name,) in cursor.fetchall()]
    return (
        [f"ALTER TABLE {table} DISABLE TRIGGER USER" for table in tables],
        # Those that are deferred must have run before a table that they watch may be altered.
        ["SET CONSTRAINTS ALL IMMEDIATE", *(f"ALTER TABLE {table} ENABLE TRIGGER USER" for table in tables)],
    )
