"""What sticks to an Idempotency-Key and for how long (bars A4, L10, L11)."""

import contextlib
import json
from datetime import timedelta

import pytest
from django.db import connection
from django.utils import timezone
from hypothesis import given
from hypothesis import strategies as st

from api.idempotency import fingerprint, read_key
from api.models import KeptAnswer
from api.tasks import purge_kept_answers
from shop.conf import conf
from shop.errors import Invalid
from tests.api.writes import CASES

VISIBLE = st.text(st.characters(min_codepoint=0x21, max_codepoint=0x7E), min_size=1, max_size=255)


class TestKey:
    @given(VISIBLE)
    def test_quoted_and_bare_are_the_same_key(self, key):
        quoted = '"' + key.replace("\\", "\\\\").replace('"', '\\"') + '"'
        assert read_key(quoted) == key
        if not key.startswith('"'):
            assert read_key(key) == key

    @given(st.text(max_size=300))
    def test_whatever_is_taken_is_1_to_255_visible_characters(self, header):
        with contextlib.suppress(Invalid):
            key = read_key(header)
            assert 1 <= len(key) <= 255
            assert key.isascii()
            assert key.isprintable()
            assert " " not in key


class TestFingerprint:
    def test_spaces_and_the_order_of_names_do_not_count(self, world):
        line = json.dumps(world.line())
        first = world.program.post("/holds", f'{{"reference":"a","lines":[{line}]}}', key="k")
        again = world.program.post("/holds", f'{{ "lines" : [{line}] , "reference" : "a" }}', key="k")
        assert again.content == first.content
        assert again["Idempotency-Replayed"] == "true"

    @pytest.mark.parametrize(
        ("one", "other"),
        [
            ({"a": 1}, {"a": "1"}),
            ({"a": [1, 2]}, {"a": [2, 1]}),
            ({}, []),
            ({"a": None}, {}),
            ({"a": 1}, {"a": 1.0}),
        ],
    )
    def test_everything_else_does(self, one, other):
        assert fingerprint("POST", "/x", one) != fingerprint("POST", "/x", other)

    def test_method_and_address_do(self):
        marks = {fingerprint(method, path, {}) for method in ("POST", "PUT") for path in ("/x", "/y")}
        assert len(marks) == 4


class TestSticking:
    def test_not_enough_sticks_also_after_stock_arrived(self, world):
        """L10: the same 409 under the same key; a new key gets 201."""
        body = {"reference": "a", "lines": [world.line("2.800")]}
        first = world.program.post("/holds", body, key="k")
        assert first.status_code == 409
        assert first.json()["type"] == "/api/problems/not-enough"
        world.shop.stock(("2.800", "new", 1))
        again = world.program.post("/holds", body, key="k")
        assert (again.status_code, again.content) == (409, first.content)
        assert again["Content-Type"] == "application/problem+json"
        assert again["Idempotency-Replayed"] == "true"
        assert world.program.post("/holds", body, key="other").status_code == 201

    def test_a_wrong_state_sticks(self, world):
        job = world.job()
        first = world.program.act(f"{job}/hold", key="k")
        assert first.status_code == 409
        world.program.done(f"{job}/readings", world.readings)
        world.program.done(f"{job}/shims", world.shims)
        world.program.done(f"{job}/plan")
        assert world.program.act(f"{job}/hold", key="k").content == first.content
        assert world.program.act(f"{job}/hold").status_code == 200

    def test_a_stale_tag_sticks(self, world):
        hold = f"/holds/{world.hold()['id']}"
        assert world.program.post(f"{hold}/release", key="k", if_match='"old"').status_code == 412
        assert world.program.act(f"{hold}/release", key="k").status_code == 412
        assert world.program.act(f"{hold}/release", key="new").status_code == 200

    def test_what_makes_no_sense_does_not_stick(self, world):
        hold = f"/holds/{world.hold()['id']}"
        too_many = {"lines": [{"position": 0, "fitted": 5}]}
        assert world.program.act(f"{hold}/fit", too_many, key="k").status_code == 422
        assert world.program.act(f"{hold}/fit", {}, key="k").status_code == 200

    def test_a_missing_thing_does_not_stick(self, world):
        hold = world.hold()
        path = "/holds/0190b0a0-0000-7000-8000-000000000000/release"
        assert world.program.post(path, key="k", if_match="*").status_code == 404
        assert world.program.act(f"/holds/{hold['id']}/release", key="k").status_code == 200

    def test_a_plan_whose_shims_are_gone_is_marked_although_the_hold_is_refused(self, world):
        """The service leaves that on purpose; the answer that sticks must not undo it."""
        job = world.planned()
        world.hold(lines=[world.line(quantity=20), world.line("2.600", "used", 6)])
        refused = world.program.act(f"{job}/hold")
        assert refused.status_code == 409
        assert refused.json()["errors"][0]["pointer"] == "/valves/1-IN"
        plan = world.program.get(job).json()["plan"]
        assert plan["state"] == "stale"
        assert plan["stale_because"]


class TestKeeping:
    def test_nothing_is_kept_without_its_effect(self, world, monkeypatch):
        """The answer is written last, in the same transaction: where that fails nothing was done."""
        path, body = CASES["hold_shims"](world)

        def full(*args, **kwargs):
            raise RuntimeError("disk full")

        monkeypatch.setattr("api.idempotency.insert", full)
        assert world.program.post(path, body, key="k").status_code == 500
        monkeypatch.undo()
        assert world.program.get("/holds").json()["items"] == []
        assert world.program.post(path, body, key="k").status_code == 201

    def test_it_is_kept_for_a_day_at_least_and_forgotten_then(self, world):
        assert conf.idempotency_time >= timedelta(hours=24)
        path, body = CASES["hold_shims"](world)
        first = world.program.post(path, body, key="k")
        for age, kept in ((conf.idempotency_time - timedelta(minutes=1), 1), (conf.idempotency_time, 0)):
            KeptAnswer.objects.filter(key="k").update(created_at=timezone.now() - age)
            purge_kept_answers(Chore())
            assert KeptAnswer.objects.filter(key="k").count() == kept
        second = world.program.post(path, body, key="k")
        assert second.status_code == 201
        assert second.json()["id"] != first.json()["id"]

    def test_a_refused_write_needs_no_write_lock(self, world, django_assert_num_queries):
        """Requests that cannot be right do not queue with the people at work."""
        path, body = CASES["hold_shims"](world)
        world.program.get("/me")
        with connection.execute_wrapper(no_writes):
            assert world.program.post(path, body | {"extra": 1}, key="k").status_code == 400
            assert world.program.post(path, body, key=False).status_code == 400


class Chore:
    """Stands for the context of a background task."""

    def now(self):
        return timezone.now()

    def heartbeat(self, progress, message=""):
        pass


def no_writes(execute, sql, params, many, context):
    assert sql.lstrip().split()[0].upper() == "SELECT", sql
    return execute(sql, params, many, context)
