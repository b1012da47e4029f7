"""The database's own guard of the books, for SQLite and PostgreSQL.

A migration that touches a table named here must run `install` again (law 5): SQLite drops a table's triggers
when Django remakes the table. `TRIGGERS` is what a test and a system check count.

What the triggers promise, on both databases:
- rows of the ledger are never changed, deleted or overwritten; PostgreSQL's TRUNCATE is refused as well;
- no line joins a movement that is sealed;
- a seal is refused unless its movement has two lines or more that sum to zero per family, and continues its
  site's hash chain; it is what changes `on_hand`, and on PostgreSQL the service's role has no other way;
- a hold that is resolved stays as it is.
PostgreSQL refuses at COMMIT a movement without a seal; SQLite has no deferred triggers, and there a movement
without a seal simply does not count, and the audit names it, as it does a balance written by hand.
"""
# ruff: noqa: S608 - what is put into this SQL stands in this file

from django.db.backends.base.base import BaseDatabaseWrapper

from shop.db.triggers import present_triggers

# Each with everything that is unique in it: what a replacing insert could knock out.
LEDGER = (
    ("inventory_movement", (("seq",), ("uid",), ("reverses_id",))),
    ("inventory_movementline", (("id",), ("movement_id", "position"))),
    ("inventory_movementseal", (("movement_id",), ("site_id", "position"))),
)
REFUSAL = "the ledger is append-only: undo a movement by a reversing one"
OUTSIDE_KINDS = "('supplier', 'engine', 'scrap', 'difference')"

TRIGGERS: dict[str, tuple[str, ...]] = {
    "sqlite": (
        *(f"{table}_{what}" for table, _ in LEDGER for what in ("no_update", "no_delete", "no_replace")),
        "inventory_movementline_not_after_seal",
        "inventory_movementseal_checks",
        "inventory_movementseal_applies",
        "inventory_hold_final",
    ),
    "postgresql": (
        *(f"{table}_{what}" for table, _ in LEDGER for what in ("no_change", "no_truncate")),
        "inventory_movementline_not_after_seal",
        "inventory_movement_sealed_at_commit",
        "inventory_movementseal_checks",
        "inventory_movementseal_applies",
        "inventory_hold_final",
    ),
}

_UNBALANCED = """
    SELECT 1 FROM inventory_movementline
    WHERE movement_id = NEW.movement_id GROUP BY family_id HAVING SUM(quantity) <> 0
"""
_LINE_COUNT = "(SELECT COUNT(*) FROM inventory_movementline WHERE movement_id = NEW.movement_id)"
_CHAIN_CONTINUES = """
    SELECT 1 FROM inventory_chainhead h JOIN inventory_movement m ON m.seq = NEW.movement_id
    WHERE h.site_id = NEW.site_id AND m.site_id = NEW.site_id
      AND h.position + 1 = NEW.position AND h.hash = NEW.previous_hash
"""
_MISSING_BALANCES = f"""
    INSERT INTO inventory_balance
        (site_id, place_id, family_id, thickness_nm, condition, outside, on_hand, held)
    SELECT p.site_id, l.place_id, l.family_id, l.thickness_nm, l.condition,
           p.kind IN {OUTSIDE_KINDS}, 0, 0
    FROM inventory_movementline l JOIN inventory_place p ON p.id = l.place_id
    WHERE l.movement_id = NEW.movement_id AND NOT EXISTS (
        SELECT 1 FROM inventory_balance b
        WHERE b.place_id = l.place_id AND b.family_id = l.family_id
          AND b.thickness_nm = l.thickness_nm AND b.condition = l.condition)
    GROUP BY p.site_id, l.place_id, l.family_id, l.thickness_nm, l.condition, p.kind
"""
# The movement's lines are summed once: a subquery per balance would search a busy place's whole history.
_APPLY = """
    UPDATE inventory_balance SET on_hand = on_hand + moved.quantity
    FROM (
        SELECT place_id, family_id, thickness_nm, condition, SUM(quantity) AS quantity
        FROM inventory_movementline WHERE movement_id = NEW.movement_id
        GROUP BY place_id, family_id, thickness_nm, condition
    ) AS moved
    WHERE inventory_balance.place_id = moved.place_id AND inventory_balance.family_id = moved.family_id
      AND inventory_balance.thickness_nm = moved.thickness_nm
      AND inventory_balance.condition = moved.condition
"""
_MOVE_HEAD = """
    UPDATE inventory_chainhead SET position = NEW.position, hash = NEW.hash WHERE site_id = NEW.site_id
"""
_SEAL_CHECKS = (
    (
        f"{_LINE_COUNT} < 2 OR {_LINE_COUNT} <> NEW.line_count",
        "a movement needs all of its lines, two or more",
    ),
    (f"EXISTS ({_UNBALANCED})", "lines must sum to zero per shim family"),
    (f"NOT EXISTS ({_CHAIN_CONTINUES})", "the seal does not continue the chain of its site"),
)


def install(connection: BaseDatabaseWrapper) -> None:
    """Create every trigger anew; safe to run again."""
    statements = _sqlite() if connection.vendor == "sqlite" else _postgresql()
    with connection.cursor() as cursor:
        for statement in statements:
            cursor.execute(statement)


def remove(connection: BaseDatabaseWrapper) -> None:
    """Drop every trigger: for a migration's way back, and for tests that empty the tables."""
    with connection.cursor() as cursor:
        for name in TRIGGERS[connection.vendor]:
            on = "" if connection.vendor == "sqlite" else f" ON {_table_of(name)}"
            cursor.execute(f"DROP TRIGGER IF EXISTS {name}{on}")


def missing(connection: BaseDatabaseWrapper) -> list[str]:
    """Names of triggers that should be there and are not (or are switched off), sorted."""
    return sorted(set(TRIGGERS[connection.vendor]) - present_triggers(connection))


def _table_of(trigger: str) -> str:
    tables = [*(table for table, _ in LEDGER), "inventory_hold"]
    return max((table for table in tables if trigger.startswith(f"{table}_")), key=len)


def _sqlite() -> list[str]:
    made: list[tuple[str, str]] = []
    for table, unique in LEDGER:
        abort = f"SELECT RAISE(ABORT, '{REFUSAL}');"
        # One question for each: asked together, SQLite reads the whole table where a column is mostly NULL.
        taken = " OR ".join(
            f"EXISTS (SELECT 1 FROM {table} WHERE {' AND '.join(f'{name} = NEW.{name}' for name in names)})"
            for names in unique
        )
        made += [
            (f"{table}_no_update", f"BEFORE UPDATE ON {table} BEGIN {abort} END"),
            (f"{table}_no_delete", f"BEFORE DELETE ON {table} BEGIN {abort} END"),
            # INSERT OR REPLACE deletes without firing the delete trigger where a connection has not set
            # recursive_triggers; refusing the second insert closes that door for every connection.
            (
                f"{table}_no_replace",
                f"BEFORE INSERT ON {table} WHEN {taken} BEGIN {abort} END",
            ),
        ]
    made.append(
        (
            "inventory_movementline_not_after_seal",
            "BEFORE INSERT ON inventory_movementline WHEN EXISTS "
            "(SELECT 1 FROM inventory_movementseal WHERE movement_id = NEW.movement_id) "
            "BEGIN SELECT RAISE(ABORT, 'the movement is sealed'); END",
        )
    )
    checks = " ".join(f"SELECT RAISE(ABORT, '{text}') WHERE {wrong};" for wrong, text in _SEAL_CHECKS)
    made += [
        ("inventory_movementseal_checks", f"BEFORE INSERT ON inventory_movementseal BEGIN {checks} END"),
        (
            "inventory_movementseal_applies",
            f"AFTER INSERT ON inventory_movementseal BEGIN {_MISSING_BALANCES}; {_APPLY}; {_MOVE_HEAD}; END",
        ),
        (
            "inventory_hold_final",
            "BEFORE UPDATE ON inventory_hold WHEN OLD.state <> 'held' "
            "BEGIN SELECT RAISE(ABORT, 'a hold resolves once'); END",
        ),
    ]
    statements = []
    for name, body in made:
        statements += [f"DROP TRIGGER IF EXISTS {name}", f"CREATE TRIGGER {name} {body}"]
    return statements


def _function(name: str, body: str, *, definer: bool = False) -> str:
    # SECURITY DEFINER lets the seal change balances for a role that itself may not; the fixed search_path
    # keeps that role from slipping in tables of its own.
    rights = "SECURITY DEFINER SET search_path = public, pg_temp" if definer else ""
    head = f"CREATE OR REPLACE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql {rights}"
    return f"{head} AS $$ BEGIN {body} END $$"


def _postgresql() -> list[str]:
    def refuse(text: str) -> str:
        return f"RAISE EXCEPTION '{text}' USING ERRCODE = 'integrity_constraint_violation';"

    checks = " ".join(f"IF {wrong} THEN {refuse(text)} END IF;" for wrong, text in _SEAL_CHECKS)
    functions = [
        _function("coldgap_refuse_change", refuse(REFUSAL)),
        _function(
            "coldgap_line_not_after_seal",
            "IF EXISTS (SELECT 1 FROM inventory_movementseal WHERE movement_id = NEW.movement_id) "
            f"THEN {refuse('the movement is sealed')} END IF; RETURN NEW;",
        ),
        _function(
            "coldgap_sealed_at_commit",
            "IF NOT EXISTS (SELECT 1 FROM inventory_movementseal WHERE movement_id = NEW.seq) "
            f"THEN {refuse('a movement must be sealed: its lines must sum to zero')} END IF; RETURN NULL;",
        ),
        _function("coldgap_seal_checks", f"{checks} RETURN NEW;"),
        _function(
            "coldgap_seal_applies", f"{_MISSING_BALANCES}; {_APPLY}; {_MOVE_HEAD}; RETURN NULL;", definer=True
        ),
        _function(
            "coldgap_hold_final",
            f"IF OLD.state <> 'held' THEN {refuse('a hold resolves once')} END IF; RETURN NEW;",
        ),
    ]
    made: list[tuple[str, str, str]] = []
    for table, _ in LEDGER:
        made += [
            (f"{table}_no_change", table, f"BEFORE UPDATE OR DELETE ON {table} FOR EACH ROW"),
            (f"{table}_no_truncate", table, f"BEFORE TRUNCATE ON {table} FOR EACH STATEMENT"),
        ]
    statements = list(functions)
    for name, table, when in made:
        statements += [
            f"DROP TRIGGER IF EXISTS {name} ON {table}",
            f"CREATE TRIGGER {name} {when} EXECUTE FUNCTION coldgap_refuse_change()",
        ]
    for name, table, when, function in (
        (
            "inventory_movementline_not_after_seal",
            "inventory_movementline",
            "BEFORE INSERT ON inventory_movementline FOR EACH ROW",
            "coldgap_line_not_after_seal",
        ),
        (
            "inventory_movementseal_checks",
            "inventory_movementseal",
            "BEFORE INSERT ON inventory_movementseal FOR EACH ROW",
            "coldgap_seal_checks",
        ),
        (
            "inventory_movementseal_applies",
            "inventory_movementseal",
            "AFTER INSERT ON inventory_movementseal FOR EACH ROW",
            "coldgap_seal_applies",
        ),
        (
            "inventory_hold_final",
            "inventory_hold",
            "BEFORE UPDATE ON inventory_hold FOR EACH ROW",
            "coldgap_hold_final",
        ),
    ):
        statements += [
            f"DROP TRIGGER IF EXISTS {name} ON {table}",
            f"CREATE TRIGGER {name} {when} EXECUTE FUNCTION {function}()",
        ]
    statements += [
        "DROP TRIGGER IF EXISTS inventory_movement_sealed_at_commit ON inventory_movement",
        "CREATE CONSTRAINT TRIGGER inventory_movement_sealed_at_commit AFTER INSERT ON inventory_movement "
        "DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION coldgap_sealed_at_commit()",
    ]
    return statements
