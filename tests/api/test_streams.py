"""Streams of events: a task until it is over, a site's events as they happen, bounded in time and number."""

import json
import time
from datetime import timedelta

import pytest
from django.contrib.sessions.models import Session
from django.db import connection
from django.utils import timezone

from api import event_stream
from api.background import TaskSerializer
from api.event_shapes import message_schema
from api.models import ApiKey
from api.services.keys import hash_of
from shop.background import claims
from shop.background.queue import cancel_task, queue_task
from shop.models import OutboxEvent, User
from shop.webhooks.events import EventKind, tell
from tests.api.program import Program, program, validator

SSE = {"Accept": "text/event-stream"}


@pytest.fixture(autouse=True)
def nothing_left_open():
    yield
    left = event_stream.places.taken
    event_stream.places = event_stream.Places()
    assert left == 0


@pytest.fixture
def quick(settings, monkeypatch):
    """Streams that look often, are silent for a tenth of a second, and end after one."""
    monkeypatch.setattr(event_stream, "LOOK_EVERY_SECONDS", 0.01)
    settings.COLDGAP = settings.COLDGAP | {"STREAM_SECONDS": 1, "STREAM_HEARTBEAT_SECONDS": 0.1}


class Reader:
    """Reads a stream as a browser does: fields of an event up to an empty line; comments by themselves."""

    def __init__(self, response):
        assert response.status_code == 200, response
        self.response = response
        self.chunks = iter(response.streaming_content)
        assert next(self.chunks) == b"retry: 2000\n\n"

    def __iter__(self):
        return self

    def __next__(self):
        text = next(self.chunks).decode()
        assert text.endswith("\n\n")
        if text.startswith(":"):
            return None
        fields = dict(line.split(": ", 1) for line in text.strip().split("\n"))
        return fields["event"], fields["id"], json.loads(fields["data"])

    def event(self):
        """The next event, silence passed over."""
        return next(event for event in self if event is not None)

    def close(self):
        """Hang up. By the test client's wrapper, which spares the test's own database connection."""
        self.response._iterator.close()


def stream(by: Program, path, **headers):
    return Reader(by.get(path, **SSE, **headers))


@pytest.fixture
def task(world):
    """One that waits for tomorrow: nobody works it but the test."""
    at = timezone.now()
    return queue_task("purge_background", {}, at=at, site=world.site, run_after=at + timedelta(days=1))


class TestTask:
    def test_is_told_each_time_it_changes_until_it_is_over(self, world, task, quick):
        reader = stream(world.program, f"/tasks/{task.pk}/events")
        assert reader.response["Content-Type"] == "text/event-stream"
        assert reader.response["Cache-Control"] == "no-store"
        seen = [reader.event()]
        tomorrow = timezone.now() + timedelta(days=2)
        claimed = claims.claim(task.pk, at=tomorrow)
        seen.append(reader.event())
        claims.extend(claimed, at=tomorrow, progress=40, message="half way")
        seen.append(reader.event())
        claims.finish(claimed, at=tomorrow, result={"tasks": 3})
        seen.append(reader.event())
        assert list(reader) == []
        reader.close()
        assert [data["state"] for _, _, data in seen] == ["queued", "running", "running", "done"]
        assert [data["progress"] for _, _, data in seen] == [0, 0, 40, 100]
        assert {name for name, _, _ in seen} == {"task"}
        assert seen[-1][2] == world.program.get(f"/tasks/{task.pk}").json()
        assert set(seen[-1][2]) == set(TaskSerializer().fields)

    def test_that_is_over_already_is_told_once(self, world, task, quick):
        cancel_task(task, at=timezone.now())
        reader = stream(world.program, f"/tasks/{task.pk}/events")
        events = list(reader)
        reader.close()
        assert [data["state"] for _, _, data in events] == ["cancelled"]
        # A browser asks again by itself when a stream ends; 204 tells it to stop.
        again = world.program.get(f"/tasks/{task.pk}/events", **SSE, **{"Last-Event-ID": events[0][1]})
        assert (again.status_code, again.content) == (204, b"")

    def test_goes_on_after_what_was_seen(self, world, task, quick):
        first = stream(world.program, f"/tasks/{task.pk}/events")
        _, seen, _ = first.event()
        first.close()
        second = stream(world.program, f"/tasks/{task.pk}/events", **{"Last-Event-ID": seen})
        assert next(second) is None
        cancel_task(task, at=timezone.now())
        assert second.event()[2]["state"] == "cancelled"
        second.close()

    def test_that_is_forgotten_ends_the_stream(self, world, task, quick):
        reader = stream(world.program, f"/tasks/{task.pk}/events")
        reader.event()
        task.delete()
        assert [event for event in reader if event] == []
        reader.close()


class TestSite:
    def test_is_told_what_happens_and_nothing_of_before(self, world, other_site, quick):
        tell(EventKind.JOB_SIGNED_OFF, {"number": 1}, site=world.site, at=timezone.now())
        reader = stream(world.program, "/sites/north/events")
        event = tell(EventKind.JOB_SIGNED_OFF, {"number": 2}, site=world.site, at=timezone.now())
        tell(EventKind.JOB_SIGNED_OFF, {"number": 3}, site=other_site, at=timezone.now())
        OutboxEvent.objects.create(kind="effect", site=world.site, created_at=timezone.now())
        name, mark, data = reader.event()
        assert (name, mark) == ("job.signed_off", str(event.pk))
        assert data["data"] == {"site": "north", "number": 2}
        assert data["type"] == name
        assert not [event for event in reader if event]
        reader.close()

    def test_goes_on_after_the_last_event_that_was_seen(self, world, quick):
        events = [
            tell(EventKind.HOLD_READY, {"number": n}, site=world.site, at=timezone.now()) for n in range(3)
        ]
        reader = stream(world.program, "/sites/north/events", **{"Last-Event-ID": str(events[0].pk)})
        assert [reader.event()[1] for _ in range(2)] == [str(event.pk) for event in events[1:]]
        reader.close()

    @pytest.mark.parametrize("last", ["nonsense", "0190b0a0-0000-7000-8000-000000000000", "é", "'"])
    def test_after_an_event_that_is_not_known_begins_now(self, world, quick, last):
        tell(EventKind.HOLD_READY, {"number": 1}, site=world.site, at=timezone.now())
        reader = stream(world.program, "/sites/north/events", **{"Last-Event-ID": last})
        assert not [event for event in reader if event]
        reader.close()

    def test_an_event_that_is_written_late_is_not_missed(self, world, quick):
        """Its transaction names a moment before that of one that was there first."""
        reader = stream(world.program, "/sites/north/events")
        now = timezone.now()
        tell(EventKind.HOLD_READY, {"number": 2}, site=world.site, at=now)
        assert reader.event()[2]["data"]["number"] == 2
        tell(EventKind.HOLD_READY, {"number": 1}, site=world.site, at=now - timedelta(seconds=5))
        assert reader.event()[2]["data"]["number"] == 1
        assert not [event for event in reader if event]
        reader.close()

    def test_says_what_webhooks_say(self, world, quick):
        reader = stream(world.program, "/sites/north/events")
        job = world.measured_again()
        world.program.done(f"{job}/sign-off")
        name, _, data = reader.event()
        validator(message_schema(name)).validate(data)
        assert data["data"]["job"] == job.rpartition("/")[2]
        reader.close()


class TestBounds:
    def test_a_silent_stream_says_that_it_is_there_and_ends_in_time(self, world, task, quick):
        begun = time.monotonic()
        reader = stream(world.program, f"/tasks/{task.pk}/events")
        said = list(reader)
        reader.close()
        assert 0.9 < time.monotonic() - begun < 5
        assert said[0] is not None
        assert 3 <= said.count(None) <= 10
        assert said.count(None) == len(said) - 1

    def test_there_are_only_so_many_at_once_and_none_is_one_programs_alone(
        self, world, task, quick, settings, manager
    ):
        settings.COLDGAP = settings.COLDGAP | {"STREAMS_AT_ONCE": 4}
        path = f"/tasks/{task.pk}/events"
        second, third = program(manager, world.site), program(manager, world.site)
        mine = [stream(world.program, path) for _ in range(2)]
        refused = world.program.get(path, **SSE)
        assert refused.status_code == 429
        assert refused.json()["type"] == "/api/problems/stream-quota-exceeded"
        assert int(refused["Retry-After"]) >= 1
        theirs = [stream(second, path) for _ in range(2)]
        refused = third.get(path, **SSE)
        assert refused.status_code == 503
        assert refused.json()["type"] == "/api/problems/too-many-streams"
        assert int(refused["Retry-After"]) >= 1
        mine[0].close()
        last = stream(third, path)
        for reader in (*mine, *theirs, last):
            reader.close()
        # Everything else is answered all the while.
        assert world.program.get("/me").status_code == 200

    def test_who_comes_too_many_is_no_error_in_the_log(self, world, task, settings, caplog):
        settings.COLDGAP = settings.COLDGAP | {"STREAMS_AT_ONCE": 0}
        assert world.program.get(f"/tasks/{task.pk}/events", **SSE).status_code == 503
        assert {record.levelname for record in caplog.records} <= {"INFO", "WARNING"}
        assert "as many streams as there may be" in caplog.text

    @pytest.mark.django_db(transaction=True)
    def test_a_stream_that_is_dropped_unread_frees_its_place(self, world, task, quick):
        response = world.program.get(f"/tasks/{task.pk}/events", **SSE)
        assert event_stream.places.taken == 1
        response.close()
        assert event_stream.places.taken == 0

    @pytest.mark.django_db(transaction=True)
    def test_holds_no_transaction_open_between_two_looks(self, world, task, quick):
        reader = stream(world.program, f"/tasks/{task.pk}/events")
        reader.event()
        assert not connection.in_atomic_block
        if connection.vendor == "postgresql":
            assert connection.connection is None
        reader.close()


class TestWhoReads:
    def test_takes_a_key(self, world, task):
        for path in (f"/tasks/{task.pk}/events", "/sites/north/events"):
            assert Program("").get(path, **SSE).status_code == 401
            assert Program("cg_nosuchke_nosuch").get(path, **SSE).status_code == 401

    def test_another_sites_are_answered_like_missing_ones(self, world, task, stranger):
        missing = stranger.get("/tasks/0190b0a0-0000-7000-8000-000000000000/events", **SSE)
        foreign = stranger.get(f"/tasks/{task.pk}/events", **SSE)
        assert foreign.status_code == missing.status_code == 404
        assert stranger.get("/sites/north/events", **SSE).status_code == 404
        assert stranger.get("/sites/nowhere/events", **SSE).status_code == 404

    def test_a_person_reads_with_the_log_in_of_the_pages(self, world, task, client, technician, quick):
        client.force_login(technician)
        reader = Reader(client.get(f"/api/v1/tasks/{task.pk}/events", headers=SSE))
        assert reader.event()[2]["state"] == "queued"
        reader.close()

    @pytest.mark.parametrize("how", ["revoked", "expired", "person gone", "role gone"])
    def test_an_open_stream_ends_with_its_key(self, world, task, manager, quick, how):
        reading = program(manager, world.site)
        reader = stream(reading, f"/tasks/{task.pk}/events")
        assert reader.event()[2]["state"] == "queued"
        now = timezone.now()
        key = ApiKey.objects.filter(secret_sha256=hash_of(reading.text))
        if how == "revoked":
            world.program.done(f"/keys/{key.get().pk}/revoke")
        elif how == "expired":
            key.update(expires_at=now)
        elif how == "person gone":
            User.objects.filter(pk=manager.pk).update(is_active=False)
        else:
            manager.memberships.all().delete()
        cancel_task(task, at=now)
        assert [event for event in reader if event] == []
        reader.close()

    @pytest.mark.parametrize("how", ["logged out", "ran out", "other password", "person gone"])
    def test_an_open_stream_ends_with_its_log_in(self, world, task, client, technician, quick, how):
        client.force_login(technician)
        reader = Reader(client.get(f"/api/v1/tasks/{task.pk}/events", headers=SSE))
        assert reader.event()[2]["state"] == "queued"
        if how == "logged out":
            client.logout()
        elif how == "ran out":
            Session.objects.update(expire_date=timezone.now())
        elif how == "other password":
            technician.set_password("quite another one 47")
            technician.save()
        else:
            User.objects.filter(pk=technician.pk).update(is_active=False)
        cancel_task(task, at=timezone.now())
        assert [event for event in reader if event] == []
        reader.close()

    def test_takes_a_reader_of_event_streams(self, world, task, quick):
        path = f"/tasks/{task.pk}/events"
        for accept in ("application/json", "text/html", "image/*"):
            refused = world.program.get(path, Accept=accept)
            assert refused.status_code == 406
            assert "text/event-stream" in refused.json()["detail"]
        for accept in ("*/*", "text/*;q=0.5", "application/json, text/event-stream"):
            stream_of_it = Reader(world.program.get(path, Accept=accept))
            stream_of_it.close()

    def test_a_head_is_answered_at_once_and_takes_no_place(self, world, task):
        headers = {"Authorization": f"Bearer {world.program.text}", **SSE}
        answer = world.program.client.head(f"/api/v1/tasks/{task.pk}/events", headers=headers)
        assert (answer.status_code, answer["Content-Type"]) == (200, "text/event-stream")
        assert b"".join(answer) == b""
