"""Queries that are written out give what Django's own give (shop/db/written.py)."""

import json
import uuid

import pytest
from django.apps import apps
from django.utils import timezone

from api.hold_shapes import HoldSerializer
from api.models import KeptAnswer, TrailEntry
from api.shapes import sent
from inventory.models import Hold, HoldTakeOver
from inventory.selectors.one_hold import job_of, one_hold
from shop.db.written import Written, ask, change, insert
from shop.ids import new_id
from shop.models import Site

pytestmark = pytest.mark.django_db


@pytest.fixture
def holds(world):
    """One held for a job, one given free, one of which a line was taken over."""
    world.held()
    world.program.done(f"/holds/{world.hold(reference='order 1')['id']}/release")
    two = world.hold(reference="order 2", lines=[world.line(), world.line("2.600", "used", 2)])
    body = {"reference": "order 3", "reason": "the customer waits", "positions": [1]}
    world.program.done(f"/holds/{two['id']}/take-over", body)
    return world


def test_every_table_with_rows_in_it(holds):
    """Whatever a field keeps: ids, times, lists, amounts, bytes, nothing."""
    seen, kinds = 0, set()
    for model in apps.get_models():
        fields = model._meta.concrete_fields
        expected = {one.pk: one for one in model._base_manager.all()}
        found = Written(f"SELECT {{one}} FROM {model._meta.db_table} one", one=model).rows()
        assert len(found) == len(expected)
        for (one,) in found:
            known = expected[one.pk]
            assert not one._state.adding
            assert not one.get_deferred_fields()
            assert [(getattr(one, field.attname), type(getattr(one, field.attname))) for field in fields] == [
                (getattr(known, field.attname), type(getattr(known, field.attname))) for field in fields
            ]
            seen += 1
            kinds |= {type(field).__name__ for field in fields}
    assert seen > 100
    assert kinds >= {"UUIDField", "DateTimeField", "JSONField", "DecimalField", "BinaryField", "BooleanField"}


def test_every_row_can_be_written_anew(holds):
    """`insert` keeps of a row what Django kept of it."""
    for model in (TrailEntry, KeptAnswer):
        rows = list(model.objects.values())
        assert rows
        for row in rows:
            changed = {"id": new_id()} | ({"key": f"anew {row['key']}"} if model is KeptAnswer else {})
            copy = model(**row | changed)
            insert(copy)
            assert model.objects.values().get(pk=copy.pk) == row | changed
            assert not copy._state.adding


def test_a_part_of_which_a_row_has_none(holds):
    rows = Written(
        "SELECT {hold}, {taken} FROM inventory_hold hold"
        " LEFT JOIN inventory_holdtakeover taken ON taken.hold_id = hold.id",
        hold=Hold,
        taken=HoldTakeOver,
    ).rows()
    assert {hold.pk: taken and taken.pk for hold, taken in rows} == {
        hold.pk: getattr(getattr(hold, "taken_over", None), "pk", None) for hold in Hold.objects.all()
    }
    assert sum(taken is None for _, taken in rows) == len(rows) - 1


def test_values_are_given_as_the_database_keeps_them(holds):
    site = Site.objects.get(code="north")
    now = timezone.now()
    assert [len(ask("SELECT 1 FROM inventory_hold WHERE site_id = %s", one)) for one in (site.pk, _no())] == [
        Hold.objects.count(),
        0,
    ]
    made = "UPDATE inventory_hold SET version = version WHERE state = 'held' AND created_at <= %s"
    first = Hold.objects.order_by("created_at")[0].created_at
    held = Hold.objects.filter(state="held")
    assert change(made, now) == held.count() > 0
    assert change(made, first) == held.filter(created_at__lte=first).count()


def test_one_hold_shows_what_the_list_shows(holds):
    listed = {item["id"]: item for item in holds.program.get("/holds").json()["items"]}
    assert {item["state"] for item in listed.values()} == {"held", "released"}
    assert any(item["taken_over"] for item in listed.values())
    for key, item in listed.items():
        assert holds.program.get(f"/holds/{key}").json() == item
        plain = Hold.objects.select_related("site", "taken_over").get(pk=key)
        assert json.loads(json.dumps(sent(HoldSerializer, plain))) == item


def test_one_hold_has_all_at_hand(holds, django_assert_num_queries):
    for hold in Hold.objects.all():
        with django_assert_num_queries(2):
            found = one_hold(hold.pk, [hold.site_id], timezone.now())
            sent(HoldSerializer, found)
        assert [line.pk for line in found.lines.all()] == [
            line.pk for line in hold.lines.order_by("position")
        ]
        assert all(line.hold is found for line in found.lines.all())


def test_a_hold_that_is_not_there_or_elsewhere(holds, other_site):
    hold = Hold.objects.exclude(job_id=None)[0]
    assert one_hold(_no(), [hold.site_id], timezone.now()) is None
    assert one_hold(hold.pk, [other_site.pk], timezone.now()) is None
    assert one_hold(hold.pk, [], timezone.now()) is None
    assert one_hold(hold.pk, [other_site.pk, hold.site_id], timezone.now()) == hold
    assert job_of(hold.pk, [hold.site_id]) == hold.job_id
    assert job_of(hold.pk, [other_site.pk]) is None
    assert job_of(_no(), [hold.site_id]) is None


def _no():
    return uuid.UUID(int=1)
