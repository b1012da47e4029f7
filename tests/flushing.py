"""Emptying the database between tests that commit, although the ledger refuses to be emptied.

Django empties every table after such a test; the triggers that keep the ledger append-only refuse that, as
they must. Here the owner of the tables does it past the triggers, and only where there is something: with
seventy tables, most of them empty, that is ten times as fast.
"""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager

from django.db import transaction
from django.db.backends.base.base import BaseDatabaseWrapper
from psycopg.pq import TransactionStatus

# The same after every migration; Django would fill them again each time.
KEPT = frozenset({"django_content_type", "auth_permission", "django_migrations"})


def allow_flush(connection: BaseDatabaseWrapper) -> None:
    """Let `flush` on this connection empty every table, the ledger's too."""

    def empty_all(_statements: list[str]) -> None:
        with acting_as_owner(connection), transaction.atomic(using=connection.alias):
            tables = _filled(connection)
            (_empty_on_sqlite if connection.vendor == "sqlite" else _empty_on_postgresql)(connection, tables)

    connection.ops.execute_sql_flush = empty_all


def _filled(connection: BaseDatabaseWrapper) -> list[str]:
    tables = set(connection.introspection.django_table_names(only_existing=True, include_views=False)) - KEPT
    questions = [f"SELECT '{table}' WHERE EXISTS (SELECT 1 FROM {table})" for table in sorted(tables)]
    with connection.cursor() as cursor:
        cursor.execute(" UNION ALL ".join(questions))
        return [name for (name,) in cursor.fetchall()]


def _empty_on_postgresql(connection: BaseDatabaseWrapper, tables: Iterable[str]) -> None:
    with connection.cursor() as cursor:
        # No trigger fires meanwhile, neither ours nor those of foreign keys; the tests' server lets its owner
        # role set this, which otherwise only a superuser may.
        cursor.execute("SET LOCAL session_replication_role = replica")
        for table in tables:
            cursor.execute(f"DELETE FROM {table}")


def _empty_on_sqlite(connection: BaseDatabaseWrapper, tables: Iterable[str]) -> None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT name, tbl_name, sql FROM sqlite_master WHERE type = 'trigger'")
        triggers = [(name, sql) for name, table, sql in cursor.fetchall() if table in tables]
        for name, _ in triggers:
            cursor.execute(f'DROP TRIGGER "{name}"')
        # Foreign keys are checked at the commit, so the order does not matter.
        for table in tables:
            cursor.execute(f'DELETE FROM "{table}"')
        for _, sql in triggers:
            cursor.execute(sql)


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
