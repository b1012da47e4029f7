"""The database's own guard of the audit trail, for SQLite and PostgreSQL.

What was written down is never changed or overwritten, and PostgreSQL's TRUNCATE is refused as well. A row is
deleted only once it is `LEAST_KEPT_DAYS` old by the database's clock, so that the shop's purge can work and
nobody removes what he has just done. A migration that touches the table must run `install` again (law 5):
SQLite drops a table's triggers when Django remakes it.
"""
# ruff: noqa: S608 - what is put into this SQL stands in this file

from django.db.backends.base.base import BaseDatabaseWrapper

from shop.db.triggers import present_triggers

TABLE = "api_trailentry"
LEAST_KEPT_DAYS = 30
REFUSAL = "the audit trail is append-only"

TRIGGERS: dict[str, tuple[str, ...]] = {
    "sqlite": tuple(f"{TABLE}_{what}" for what in ("no_update", "no_delete", "no_replace")),
    "postgresql": tuple(f"{TABLE}_{what}" for what in ("no_change", "no_truncate")),
}


def install(connection: BaseDatabaseWrapper) -> None:
    """Create every trigger anew; safe to run again."""
    with connection.cursor() as cursor:
        for statement in _sqlite() if connection.vendor == "sqlite" else _postgresql():
            cursor.execute(statement)


def remove(connection: BaseDatabaseWrapper) -> None:
    """Drop every trigger: for a migration's way back."""
    on = "" if connection.vendor == "sqlite" else f" ON {TABLE}"
    with connection.cursor() as cursor:
        for name in TRIGGERS[connection.vendor]:
            cursor.execute(f"DROP TRIGGER IF EXISTS {name}{on}")


def missing(connection: BaseDatabaseWrapper) -> list[str]:
    """Names of triggers that should be there and are not (or are switched off), sorted."""
    return sorted(set(TRIGGERS[connection.vendor]) - present_triggers(connection))


def _sqlite() -> list[str]:
    abort = f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
    # INSERT OR REPLACE deletes without firing the delete trigger where a connection has not set
    # recursive_triggers.
    taken = f"EXISTS (SELECT 1 FROM {TABLE} WHERE id = NEW.id)"
    made = (
        ("no_update", f"BEFORE UPDATE ON {TABLE} {abort}"),
        (
            "no_delete",
            f"BEFORE DELETE ON {TABLE} WHEN OLD.at >= datetime('now', '-{LEAST_KEPT_DAYS} days') {abort}",
        ),
        ("no_replace", f"BEFORE INSERT ON {TABLE} WHEN {taken} {abort}"),
    )
    return [
        statement
        for what, body in made
        for statement in (
            f"DROP TRIGGER IF EXISTS {TABLE}_{what}",
            f"CREATE TRIGGER {TABLE}_{what} {body}",
        )
    ]


def _postgresql() -> list[str]:
    old = f"TG_OP = 'DELETE' AND OLD.at < now() - interval '{LEAST_KEPT_DAYS} days'"
    refuse = f"RAISE EXCEPTION '{REFUSAL}' USING ERRCODE = 'integrity_constraint_violation';"
    head = "CREATE OR REPLACE FUNCTION {}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN {} END $$"
    made = (
        ("no_change", f"BEFORE UPDATE OR DELETE ON {TABLE} FOR EACH ROW", "coldgap_trail_change"),
        ("no_truncate", f"BEFORE TRUNCATE ON {TABLE} FOR EACH STATEMENT", "coldgap_trail_truncate"),
    )
    return [
        head.format("coldgap_trail_change", f"IF {old} THEN RETURN OLD; END IF; {refuse}"),
        head.format("coldgap_trail_truncate", refuse),
        *(
            statement
            for what, when, function in made
            for statement in (
                f"DROP TRIGGER IF EXISTS {TABLE}_{what} ON {TABLE}",
                f"CREATE TRIGGER {TABLE}_{what} {when} EXECUTE FUNCTION {function}()",
            )
        ),
    ]
