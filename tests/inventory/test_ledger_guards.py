"""The database itself refuses what code should never try (bars L2, L3, L4), on both databases."""

import pytest
from django.db import IntegrityError, connection, transaction

from inventory import triggers
from inventory.models import Balance, ChainHead, Condition, Movement, MovementLine, MovementSeal, Reason
from inventory.selectors.audit import audit
from inventory.services.ledger import chain_hash

pytestmark = pytest.mark.django_db(transaction=True)

TABLES = [(Movement, "note"), (MovementLine, "quantity"), (MovementSeal, "hash")]


def refused(act):
    with pytest.raises(IntegrityError), transaction.atomic():
        act()


def raw(sql, params=()):
    with connection.cursor() as cursor:
        cursor.execute(sql, params)


@pytest.mark.parametrize(("model", "column"), TABLES)
def test_rows_are_never_changed(model, column, receive):
    receive()
    table = model._meta.db_table
    refused(lambda: raw(f"UPDATE {table} SET {column} = {column}"))
    refused(lambda: raw(f"DELETE FROM {table}"))
    refused(lambda: model.objects.all().delete())
    refused(lambda: model.objects.update(**{column: "9"}))
    refused(lambda: model.objects.first().save())
    assert audit() == []


@pytest.mark.parametrize(("model", "column"), TABLES)
def test_an_upsert_is_refused(model, column, receive):
    receive()
    row = model.objects.first()
    key = model._meta.pk.attname
    refused(
        lambda: model.objects.bulk_create(
            [row],
            update_conflicts=True,
            unique_fields=[key],
            update_fields=[column],
        )
    )
    assert audit() == []


@pytest.mark.sqlite
@pytest.mark.parametrize(("model", "column"), TABLES)
@pytest.mark.parametrize("recursive", ["ON", "OFF"])
def test_insert_or_replace_is_refused_whatever_the_connection_has_set(model, column, recursive, receive):
    """Found by measurement: without recursive_triggers SQLite replaces in silence."""
    receive()
    table = model._meta.db_table
    raw(f"PRAGMA recursive_triggers={recursive}")
    try:
        refused(lambda: raw(f"INSERT OR REPLACE INTO {table} SELECT * FROM {table}"))
    finally:
        raw("PRAGMA recursive_triggers=ON")
    assert audit() == []


@pytest.mark.postgresql
@pytest.mark.parametrize(("model", "_column"), TABLES)
def test_truncate_is_refused(model, _column, receive):
    receive()
    refused(lambda: raw(f"TRUNCATE {model._meta.db_table} CASCADE"))
    assert audit() == []


def unsealed(site, family, places, quantities, at):
    movement = Movement.objects.create(site=site, reason=Reason.RECEIVE, at=at, actor="raw")
    for position, (place, quantity) in enumerate(quantities):
        MovementLine.objects.create(
            movement=movement,
            position=position,
            place=place,
            family=family,
            thickness_nm=2_625_000,
            condition=Condition.NEW,
            quantity=quantity,
        )
    return movement


def seal(movement, count):
    head = ChainHead.objects.get(site=movement.site)
    return MovementSeal.objects.create(
        movement=movement,
        site=movement.site,
        position=head.position + 1,
        line_count=count,
        previous_hash=head.hash,
        hash=chain_hash(head.hash, movement, movement.lines.all()),
    )


def test_a_seal_on_lines_that_do_not_sum_to_zero_is_refused(site, family, bins, places, at):
    def act():
        movement = unsealed(site, family, places, [(places["supplier"], -3), (bins[0], 2)], at)
        seal(movement, 2)

    refused(act)
    assert not Balance.objects.exists()
    assert not MovementSeal.objects.exists()


def test_a_single_line_is_refused(site, family, bins, places, at):
    refused(lambda: seal(unsealed(site, family, places, [(bins[0], 2)], at), 1))


def test_a_seal_that_does_not_continue_the_chain_is_refused(site, family, bins, places, at, receive):
    receive()

    def act():
        movement = unsealed(site, family, places, [(places["supplier"], -1), (bins[0], 1)], at)
        MovementSeal.objects.create(
            movement=movement, site=site, position=1, line_count=2, previous_hash="0" * 64, hash="1" * 64
        )

    refused(act)


def test_no_line_joins_a_sealed_movement(family, bins, receive):
    movement = receive()
    refused(
        lambda: MovementLine.objects.create(
            movement=movement,
            position=9,
            place=bins[0],
            family=family,
            thickness_nm=2_625_000,
            condition=Condition.NEW,
            quantity=1,
        )
    )


@pytest.mark.postgresql
def test_a_movement_without_a_seal_is_refused_at_commit(site, family, bins, places, at):
    with pytest.raises(IntegrityError, match="sealed"), transaction.atomic():
        unsealed(site, family, places, [(places["supplier"], -3), (bins[0], 2)], at)
    assert not Movement.objects.exists()


@pytest.mark.sqlite
@pytest.mark.broken_books
def test_a_movement_without_a_seal_does_not_count_and_the_audit_names_it(site, family, bins, places, at):
    movement = unsealed(site, family, places, [(places["supplier"], -3), (bins[0], 3)], at)
    assert not Balance.objects.exists()
    assert audit() == [f"completeness: movement {movement.seq} has no seal and does not count"]


@pytest.mark.parametrize("wrong", ["on_hand = -1", "held = -1", "held = on_hand + 1"])
def test_a_balance_stays_within_its_limits(wrong, receive, bins):
    receive()
    refused(lambda: raw(f"UPDATE inventory_balance SET {wrong} WHERE place_id = %s", [_db(bins[0].id)]))


def _db(value):
    return value.hex if connection.vendor == "sqlite" else value


def test_every_trigger_is_there_and_none_is_unknown(db):
    assert triggers.missing(connection) == []
    query = (
        "SELECT name FROM sqlite_master WHERE type = 'trigger'"
        if connection.vendor == "sqlite"
        else "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal"
    )
    with connection.cursor() as cursor:
        cursor.execute(query)
        assert {row[0] for row in cursor.fetchall()} == set(triggers.TRIGGERS[connection.vendor])


def test_a_missing_trigger_is_named(db):
    triggers.remove(connection)
    try:
        assert triggers.missing(connection) == sorted(triggers.TRIGGERS[connection.vendor])
        assert len([line for line in audit() if line.startswith("guard:")]) == len(
            triggers.TRIGGERS[connection.vendor]
        )
    finally:
        triggers.install(connection)
    assert audit() == []
