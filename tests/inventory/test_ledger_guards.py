"""The database itself refuses what code should never try (bars L2, L3, L4), on both databases."""

import re
import time

import pytest
from django.db import IntegrityError, connection, transaction

from api import triggers as trail_triggers
from inventory import triggers
from inventory.models import Balance, ChainHead, Condition, Movement, MovementLine, MovementSeal, Reason
from inventory.selectors.audit import audit
from inventory.services.floor import receive_shims, reverse_movement
from inventory.services.holds import Wanted, hold_shims, release_hold
from inventory.services.ledger import chain_hash
from tests.inventory.books import in_bin

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.owner]

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
        assert {row[0] for row in cursor.fetchall()} == {
            name for guard in (triggers, trail_triggers) for name in guard.TRIGGERS[connection.vendor]
        }


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


@pytest.mark.sqlite
@pytest.mark.parametrize("recursive", ["ON", "OFF"])
def test_a_replacing_insert_cannot_knock_out_another_row_by_any_unique_column(
    recursive, receive, boss, bins, family, at
):
    """A row with a new key that shares a unique column would have deleted the one that has it in silence."""
    first = receive()
    reverse_movement(movement=first, actor=boss, at=at, note="twice")
    raw(f"PRAGMA recursive_triggers={recursive}")
    try:
        columns = [
            field.column for field in Movement._meta.concrete_fields if field.column not in ("seq", "uid")
        ]
        refused(
            lambda: raw(
                f"INSERT OR REPLACE INTO inventory_movement (seq, uid, {', '.join(columns)})"
                f" SELECT 777, '{'7' * 32}', {', '.join(columns)} FROM inventory_movement"
                " WHERE reverses_id IS NOT NULL"
            )
        )
        columns = [field.column for field in MovementLine._meta.concrete_fields if field.column != "id"]
        refused(
            lambda: raw(
                f"INSERT OR REPLACE INTO inventory_movementline (id, {', '.join(columns)})"
                f" SELECT id + 1000, {', '.join(columns)} FROM inventory_movementline"
            )
        )
    finally:
        raw("PRAGMA recursive_triggers=ON")
    assert audit() == []


def test_a_hold_that_is_over_stays_as_it_is(receive, bins, site, tech, at):
    """L6: final states are final for raw SQL too, and a state that is final has its moment."""
    receive(0, 2)
    line = Wanted(
        place=bins[0], family_id=bins[0].family_id, thickness_nm=bins[0].size_nm, condition="new", quantity=1
    )
    hold = hold_shims(site=site, actor=tech, at=at, lines=[line], reference="Job 4")
    refused(lambda: raw("UPDATE inventory_hold SET state = 'fitted'"))
    release_hold(hold=hold, actor=tech, at=at)
    for change in (
        "state = 'held', resolved_at = NULL",
        "state = 'fitted'",
        "note = 'x'",
        "resolved_at = NULL",
    ):
        refused(lambda change=change: raw(f"UPDATE inventory_hold SET {change}"))


def test_a_movement_names_its_actor_and_its_moment(site, at):
    """L19: who, when and why are there in the database's own rules."""
    refused(lambda: Movement.objects.create(site=site, reason=Reason.RECEIVE, at=at, actor=""))
    refused(lambda: Movement.objects.create(site=site, reason=Reason.RECEIVE, at=None, actor="raw"))
    refused(lambda: Movement.objects.create(site=site, reason=None, at=at, actor="raw"))


def test_a_movement_is_reversed_once_whoever_writes_it(receive, boss, site, at):
    first = receive()
    reverse_movement(movement=first, actor=boss, at=at, note="twice")
    refused(
        lambda: Movement.objects.create(site=site, reason=Reason.REVERSE, at=at, actor="raw", reverses=first)
    )


@pytest.mark.parametrize("quantity", [0, 100_001, -100_001])
def test_a_lines_quantity_stays_within_bounds(quantity, site, family, bins, places, at):
    refused(lambda: unsealed(site, family, places, [(bins[0], quantity)], at))


def test_a_seal_of_five_hundred_lines_takes_under_a_second(site, clerk, bins, at):
    """L2: the database's own checks cost by the movement, not by the line."""
    shims = [in_bin(bins[0], thickness_nm=2_000_000 + 5_000 * n, condition="used") for n in range(240)]
    began = time.perf_counter()
    receive_shims(site=site, actor=clerk, at=at, shims=[*shims, *shims[:10]])
    assert time.perf_counter() - began < 1


@pytest.mark.sqlite
@pytest.mark.parametrize("table", ["inventory_movement", "inventory_movementline", "inventory_movementseal"])
def test_the_guard_against_replacing_looks_nowhere_but_in_indexes(table):
    """With the statistics of half a million movements, hardly any of them a reversal: asked in one question,
    SQLite would read the whole table at every insert."""
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")
        cursor.execute("DELETE FROM sqlite_stat1 WHERE tbl = %s", [table])
        cursor.execute("SELECT name FROM sqlite_master WHERE type = 'index' AND tbl_name = %s", [table])
        for (index,) in cursor.fetchall():
            cursor.execute("INSERT INTO sqlite_stat1 VALUES (%s, %s, '500000 500000 500000')", [table, index])
        cursor.execute("ANALYZE sqlite_master")
        cursor.execute("SELECT sql FROM sqlite_master WHERE name = %s", [f"{table}_no_replace"])
        asked = cursor.fetchone()[0].partition(" WHEN ")[2].partition(" BEGIN ")[0]
        question, values = re.subn(r"NEW[.]\w+", "%s", asked)
        cursor.execute(f"EXPLAIN QUERY PLAN SELECT {question}", [1] * values)
        plan = [row[3] for row in cursor.fetchall()]
        cursor.execute("DELETE FROM sqlite_stat1")
        cursor.execute("ANALYZE sqlite_master")
    assert any(step.startswith(f"SEARCH {table}") for step in plan)
    assert not any(step.startswith(f"SCAN {table}") for step in plan)
