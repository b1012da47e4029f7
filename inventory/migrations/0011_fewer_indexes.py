"""Take away the indexes of the books that another index begins with; each cost every line its upkeep. And
leave room on PostgreSQL's pages of balances: a balance that changes in its own page leaves the indexes alone.

In the database the index goes and nothing else: on SQLite Django would make the whole table anew, which
drops its triggers and takes long on a grown ledger.
"""

import django.db.models.deletion
from django.db import migrations, models

GONE = (
    ("balance", "place"),
    ("balance", "site"),
    ("movement", "site"),
    ("movementline", "family"),
    ("movementline", "movement"),
    ("movementline", "place"),
    ("movementseal", "site"),
)


def _column(apps, model, field):
    found = apps.get_model("inventory", model)
    return found, found._meta.get_field(field)


def drop(apps, schema_editor):
    quote = schema_editor.quote_name
    for model, field in GONE:
        found, column = _column(apps, model, field)
        with schema_editor.connection.cursor() as cursor:
            there = schema_editor.connection.introspection.get_constraints(cursor, found._meta.db_table)
        for name, facts in there.items():
            alone = facts["index"] and not (facts["unique"] or facts["primary_key"] or facts["foreign_key"])
            if alone and facts["columns"] == [column.column]:
                schema_editor.execute(f"DROP INDEX {quote(name)}")


def make(apps, schema_editor):
    for model, field in GONE:
        found, column = _column(apps, model, field)
        name = schema_editor._create_index_name(found._meta.db_table, [column.column])
        table = schema_editor.quote_name(found._meta.db_table)
        column_name = schema_editor.quote_name(column.column)
        schema_editor.execute(
            f"CREATE INDEX IF NOT EXISTS {schema_editor.quote_name(name)} ON {table} ({column_name})"
        )


def leave_room(apps, schema_editor):
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute("ALTER TABLE inventory_balance SET (fillfactor = 50)")


def fill(apps, schema_editor):
    if schema_editor.connection.vendor == "postgresql":
        schema_editor.execute("ALTER TABLE inventory_balance RESET (fillfactor)")


def _field(related, to):
    return models.ForeignKey(
        db_index=False, on_delete=django.db.models.deletion.PROTECT, related_name=related, to=to
    )


class Migration(migrations.Migration):
    dependencies = [("inventory", "0010_watched_sizes_and_holds"), ("shop", "0003_webhooks")]

    operations = [
        migrations.RunPython(leave_room, fill),
        migrations.SeparateDatabaseAndState(
            database_operations=[migrations.RunPython(drop, make)],
            state_operations=[
                migrations.AlterField("balance", "place", _field("balances", "inventory.place")),
                migrations.AlterField("balance", "site", _field("balances", "shop.site")),
                migrations.AlterField("movement", "site", _field("movements", "shop.site")),
                migrations.AlterField("movementline", "family", _field("+", "inventory.shimfamily")),
                migrations.AlterField("movementline", "movement", _field("lines", "inventory.movement")),
                migrations.AlterField("movementline", "place", _field("movement_lines", "inventory.place")),
                migrations.AlterField("movementseal", "site", _field("+", "shop.site")),
            ],
        )
    ]
