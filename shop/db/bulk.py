"""Many rows into one table at once: COPY on PostgreSQL, one prepared statement on SQLite.

For tables whose rows are made by thousands; models and their signals are passed by.
"""
# ruff: noqa: S608 - tables and columns are named by our own code

import contextlib
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from django.db import DEFAULT_DB_ALIAS, connections

ROOM_KIB = 48 * 1024


@contextlib.contextmanager
def room_for_many_rows(using: str = DEFAULT_DB_ALIAS) -> Iterator[None]:
    """Let SQLite keep in memory the pages that a large transaction touches; enter it before the transaction.

    With its usual 2 MB it writes the same pages out again and again, while everybody waits for the lock: a
    table of 50,000 counts took twice the time.
    """
    connection = connections[using]
    if connection.vendor != "sqlite":
        yield
        return
    with connection.cursor() as cursor:
        usual = cursor.execute("PRAGMA cache_size").fetchone()[0]
        cursor.execute(f"PRAGMA cache_size = {-ROOM_KIB}")
    try:
        yield
    finally:
        with connection.cursor() as cursor:
            cursor.execute(f"PRAGMA cache_size = {int(usual)}")


def insert_rows(
    table: str, columns: Sequence[str], rows: Iterable[Sequence[Any]], using: str = DEFAULT_DB_ALIAS
) -> None:
    """Add the rows, each a value per column; call inside a write transaction.

    Values are texts, whole numbers, booleans, None, UUIDs and aware times. What the table's triggers and
    constraints refuse is raised as for any other insert.
    """
    connection = connections[using]
    named = ", ".join(columns)
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            with connection.wrap_database_errors, cursor.copy(f"COPY {table} ({named}) FROM STDIN") as copy:
                for row in rows:
                    copy.write_row(row)
            return
        marks = ", ".join(["%s"] * len(columns))
        insert = f"INSERT INTO {table} ({named}) VALUES ({marks})"
        cursor.executemany(insert, [[plain(value) for value in row] for row in rows])


def insert_plain_rows(
    table: str, columns: Sequence[str], rows: Iterable[Sequence[Any]], using: str = DEFAULT_DB_ALIAS
) -> None:
    """As `insert_rows`, of values that went through `plain` beforehand, where time counts."""
    connection = connections[using]
    if connection.vendor == "postgresql":
        insert_rows(table, columns, rows, using)
        return
    marks = ", ".join(["%s"] * len(columns))
    with connection.cursor() as cursor:
        cursor.executemany(f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({marks})", list(rows))


def plain(value: Any) -> Any:
    """The value as Django keeps it on SQLite."""
    if isinstance(value, UUID):
        return value.hex
    if isinstance(value, datetime):
        return value.astimezone(UTC).replace(tzinfo=None).isoformat(" ")
    return value
