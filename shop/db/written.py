"""Queries that are written out, for what nearly every request asks.

To compose a query takes Django several times as long as the database takes to answer it, and `raw` looks for
the columns anew each time. What is asked now and then stays a queryset.
"""

import functools
import uuid
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any

from django.db import DEFAULT_DB_ALIAS, connections, models

Values = Sequence[Any]
Builder = Callable[[Values, Any], models.Model | None]


class Written:
    """A query whose rows are instances of models: ``{place}`` stands for the columns of the table that goes
    by that name in the query, whose model is given as ``place=Place``.

    It is the same for both databases, with `%s` for each value.
    """

    def __init__(self, sql: str, **parts: type[models.Model]) -> None:
        self._sql = sql.format(**{alias: _columns(alias, model) for alias, model in parts.items()})
        self._models = tuple(parts.values())
        self._builders: dict[str, list[tuple[slice, Builder]]] = {}

    def rows(self, *values: Any, lock: str = "") -> list[tuple[Any, ...]]:
        """One tuple a row with an instance of each part, in their order; None where the row has none of it.
        `lock`: the part whose rows are locked until the transaction ends, where the database locks rows.

        The instances are like those of a queryset, and know nothing of one another.
        """
        connection = connections[DEFAULT_DB_ALIAS]
        builders = self._builders.get(connection.vendor)
        if builders is None:
            builders = self._builders[connection.vendor] = _builders_of(self._models, connection)
        locking = f" FOR UPDATE OF {lock}" if lock and connection.features.has_select_for_update else ""
        found = ask(self._sql + locking, *values)
        return [tuple(build(row[part], connection) for part, build in builders) for row in found]

    def one(self, *values: Any, lock: str = "") -> tuple[Any, ...] | None:
        """The first row, if there is any."""
        return next(iter(self.rows(*values, lock=lock)), None)


def ask(sql: str, *values: Any) -> list[Values]:
    """The rows as the database has them: on SQLite an id is a text, and so is a time."""
    connection = connections[DEFAULT_DB_ALIAS]
    with connection.cursor() as cursor:
        cursor.execute(sql, [stored(value, connection) for value in values])
        return cursor.fetchall()


def change(sql: str, *values: Any) -> int:
    """Do it; how many rows were changed."""
    connection = connections[DEFAULT_DB_ALIAS]
    with connection.cursor() as cursor:
        cursor.execute(sql, [stored(value, connection) for value in values])
        return cursor.rowcount


def insert(row: models.Model) -> None:
    """Write a new row, of a model whose rows have their key from the start."""
    connection = connections[DEFAULT_DB_ALIAS]
    fields = row._meta.concrete_fields
    change(
        _insert_into(type(row)),
        *(field.get_db_prep_save(getattr(row, field.attname), connection) for field in fields),
    )
    row._state.adding, row._state.db = False, DEFAULT_DB_ALIAS


@functools.cache
def _insert_into(model: type[models.Model]) -> str:
    fields = model._meta.concrete_fields
    columns = ", ".join(f'"{field.column}"' for field in fields)
    places = ", ".join(["%s"] * len(fields))
    return f'INSERT INTO "{model._meta.db_table}" ({columns}) VALUES ({places})'  # noqa: S608 - our own names


def stored(value: Any, connection: Any = None) -> Any:
    """A value as the database keeps it."""
    connection = connection or connections[DEFAULT_DB_ALIAS]
    if isinstance(value, uuid.UUID):
        return value if connection.features.has_native_uuid_field else value.hex
    if isinstance(value, datetime):
        return connection.ops.adapt_datetimefield_value(value)
    return value


def _columns(alias: str, model: type[models.Model]) -> str:
    return ", ".join(f'{alias}."{field.column}"' for field in model._meta.concrete_fields)


def _builders_of(parts: Sequence[type[models.Model]], connection: Any) -> list[tuple[slice, Builder]]:
    found, start = [], 0
    for model in parts:
        end = start + len(model._meta.concrete_fields)
        found.append((slice(start, end), _builder_of(model, connection)))
        start = end
    return found


def _builder_of(model: type[models.Model], connection: Any) -> Builder:
    """From a row's values to an instance, as a queryset would make it."""
    fields = model._meta.concrete_fields
    names = [field.attname for field in fields]
    id_at = fields.index(model._meta.pk)
    conversions = []
    for place, field in enumerate(fields):
        column = field.get_col(model._meta.db_table)
        by = connection.ops.get_db_converters(column) + column.get_db_converters(connection)
        if by:
            conversions.append((place, column, by))

    def build(values: Values, connection: Any) -> models.Model | None:
        if values[id_at] is None:
            return None
        converted = list(values)
        for place, column, by in conversions:
            for convert in by:
                converted[place] = convert(converted[place], column, connection)
        return model.from_db(DEFAULT_DB_ALIAS, names, converted)

    return build
