"""The audit trail against raw SQL: what was written down stays as it is."""

from datetime import timedelta

import pytest
from django.db import IntegrityError, connection, transaction
from django.utils import timezone

from api import triggers
from api.checks import check_trail_days
from api.models import TrailEntry
from shop.db.triggers import present_triggers

pytestmark = pytest.mark.db_both


@pytest.fixture
def entry(manager, site) -> TrailEntry:
    return written(manager, site, timezone.now())


def written(user, site, at):
    return TrailEntry.objects.create(
        at=at, user=user, who="Mara Quist", site=site, act="hold_shims", method="POST", path="/x", status=201
    )


def raw(statement):
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(statement)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE api_trailentry SET who = 'somebody else'",
        "UPDATE api_trailentry SET id = id",
        "DELETE FROM api_trailentry",
    ],
)
def test_nothing_that_was_written_is_changed_or_deleted(entry, statement):
    with pytest.raises(IntegrityError, match="append-only"):
        raw(statement)
    assert TrailEntry.objects.get().who == "Mara Quist"


def test_nor_by_the_code(entry):
    with pytest.raises(IntegrityError, match="append-only"), transaction.atomic():
        entry.delete()
    entry.who = "somebody else"
    with pytest.raises(IntegrityError, match="append-only"), transaction.atomic():
        entry.save()


@pytest.mark.sqlite
def test_nor_replaced(entry):
    columns = "id, at, user_id, who, act, method, path, made, status, request_id"
    changed = columns.replace("who", "'somebody else'")
    raw_statement = f"INSERT OR REPLACE INTO api_trailentry ({columns}) SELECT {changed} FROM api_trailentry"
    with pytest.raises(IntegrityError, match="append-only"):
        raw(raw_statement)


@pytest.mark.postgresql
@pytest.mark.owner
def test_nor_emptied_by_the_tables_owner(db):
    with pytest.raises(IntegrityError, match="append-only"):
        raw("TRUNCATE api_trailentry")


def test_what_is_old_enough_may_go(manager, site, entry):
    old = timezone.now() - timedelta(days=triggers.LEAST_KEPT_DAYS, minutes=5)
    written(manager, site, old)
    written(manager, site, old + timedelta(minutes=10))
    with pytest.raises(IntegrityError):
        raw("DELETE FROM api_trailentry")
    assert TrailEntry.objects.filter(at__lte=old).delete()[0] == 1
    assert TrailEntry.objects.count() == 2


def test_every_trigger_is_there(db):
    assert triggers.missing(connection) == []
    assert set(triggers.TRIGGERS[connection.vendor]) <= present_triggers(connection)


@pytest.mark.owner
def test_a_missing_trigger_is_named(db):
    triggers.remove(connection)
    try:
        assert triggers.missing(connection) == sorted(triggers.TRIGGERS[connection.vendor])
    finally:
        triggers.install(connection)


@pytest.mark.parametrize(("days", "wrong"), [(400, []), (31, []), (30, ["api.E001"]), (0, ["api.E001"])])
def test_the_shop_cannot_ask_for_less_than_the_database_keeps(days, wrong, settings):
    settings.COLDGAP = settings.COLDGAP | {"AUDIT_TRAIL_DAYS": days}
    assert [message.id for message in check_trail_days()] == wrong
