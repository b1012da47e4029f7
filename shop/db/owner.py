"""Two roles on PostgreSQL: one owns the tables, the other is the service's and may do less (law 4)."""

import contextlib
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from django.conf import settings
from django.db import DEFAULT_DB_ALIAS, connections
from django.utils.module_loading import import_string
from psycopg import sql

EVERYTHING = ("SELECT", "INSERT", "UPDATE", "DELETE")
# Which migrations have run is for the owner to write down.
OWNERS_ALONE = {"django_migrations": ("SELECT",)}


@contextlib.contextmanager
def acting_as_owner(using: str = DEFAULT_DB_ALIAS) -> Iterator[None]:
    """The connection as the owner of the tables, without time limits; as it is when no owner is set."""
    owner = settings.DATABASE_OWNER
    connection = connections[using]
    if owner is None or connection.vendor != "postgresql":
        yield
        return
    connection.close()
    connection.close_pool()
    service = connection.settings_dict
    as_owner: dict[str, Any] = {key: value for key, value in owner.items() if key != "ENGINE"}
    # A migration may take its time, but must not queue for ever behind a transaction, with all others
    # queueing behind it.
    options = {"options": "-c lock_timeout=3000", "connect_timeout": 3}
    connection.settings_dict = {**service, **as_owner, "OPTIONS": options}
    try:
        yield
    finally:
        connection.close()
        connection.settings_dict = service


def grant_statements(
    role: str, tables: Iterable[str], restricted: Mapping[str, tuple[str, ...]]
) -> list[sql.Composed]:
    """The statements that give `role` its rights on `tables`: those in `restricted` as listed there, each
    right either a word or a word with columns ("UPDATE (held)"); everything on all others."""
    name = sql.Identifier(role)
    statements = [sql.SQL("GRANT USAGE ON SCHEMA public TO {}").format(name)]
    for table in tables:
        target = sql.Identifier(table)
        rights = sql.SQL(", ").join(map(sql.SQL, restricted.get(table, EVERYTHING)))
        statements += [
            sql.SQL("REVOKE ALL ON {} FROM {}").format(target, name),
            sql.SQL("GRANT {} ON {} TO {}").format(rights, target, name),
        ]
    statements.append(sql.SQL("GRANT USAGE ON ALL SEQUENCES IN SCHEMA public TO {}").format(name))
    return statements


def grant_to(role: str, using: str = DEFAULT_DB_ALIAS) -> None:
    """Give `role` what the service needs and no more, on every table that is there. Run as the owner."""
    restricted = {**OWNERS_ALONE, **import_string(settings.RESTRICTED_TABLES)}
    connection = connections[using]
    with connection.cursor() as cursor:
        tables = connection.introspection.table_names(cursor)
        unknown = sorted(set(restricted) - set(tables))
        if unknown:
            raise LookupError(f"no such tables to restrict: {', '.join(unknown)}; run migrate first")
        for statement in grant_statements(role, tables, restricted):
            cursor.execute(statement)
