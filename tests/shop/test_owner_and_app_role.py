"""Law 4: the service's role adds to the books and can do nothing else to them, whatever SQL it sends."""

import psycopg
import pytest

from inventory.models.ledger import APPEND_ONLY_TABLES

pytestmark = [pytest.mark.postgresql, pytest.mark.django_db(transaction=True)]


@pytest.mark.parametrize("table", APPEND_ONLY_TABLES)
@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE {} SET {column} = {column}",
        "DELETE FROM {}",
        "TRUNCATE {} CASCADE",
        "ALTER TABLE {} DISABLE TRIGGER ALL",
        "DROP TABLE {} CASCADE",
    ],
)
def test_the_app_role_cannot_touch_what_is_written(app_role_connection, table, statement):
    column = {"inventory_movement": "note", "inventory_movementline": "quantity"}.get(table, "hash")
    with pytest.raises(psycopg.errors.InsufficientPrivilege):
        app_role_connection.execute(statement.format(table, column=column))


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE inventory_balance SET on_hand = 5",
        "INSERT INTO inventory_balance (on_hand) VALUES (5)",
        "DELETE FROM inventory_balance",
        "UPDATE inventory_chainhead SET position = 0",
        "DELETE FROM django_migrations",
        "CREATE TABLE mine (id int)",
        "SET session_replication_role = replica",
    ],
)
def test_the_app_role_cannot_get_around_the_triggers(app_role_connection, statement):
    with pytest.raises(psycopg.errors.InsufficientPrivilege):
        app_role_connection.execute(statement)


def test_the_app_role_can_do_its_work(app_role_connection):
    app_role_connection.execute("UPDATE inventory_balance SET held = 0")
    app_role_connection.execute("SELECT * FROM inventory_chainhead FOR UPDATE")
    app_role_connection.execute(
        "INSERT INTO shop_site (id, code, name, time_zone) VALUES (gen_random_uuid(), 'x', 'X', 'UTC')"
    )
    app_role_connection.execute("DELETE FROM shop_site")
