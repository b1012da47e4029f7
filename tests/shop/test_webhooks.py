"""Events on their way to receivers (bar A14): written with their cause, signed, sent until they are taken."""

import itertools
from collections import Counter
from datetime import timedelta

import pytest
from django.db import transaction

from shop.actor import service_actor
from shop.background import registry, work
from shop.errors import WrongState
from shop.models import OutboxEvent, Task, WebhookEndpoint
from shop.webhooks import delivering
from shop.webhooks.deliveries import (
    BACKOFF,
    hand_on,
    line_lease,
    record_outcome,
    replay_dead,
    replay_delivery,
)
from shop.webhooks.endpoints import disable_endpoint, enable_endpoint
from shop.webhooks.events import EventKind
from shop.webhooks.sending import Outcome
from tests.servers.children import free_port
from tests.shop.hooks import (
    AT,
    clock,
    deliveries,
    delivery,
    happen,
    loopback,
    receiver,
    registered,
    settle,
)
from tests.shop.receiver import Receiver, receiving

pytestmark = pytest.mark.django_db
__all__ = ["clock", "loopback", "receiver"]
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)


def test_an_event_reaches_the_receiver_signed(site, receiver, clock):
    _, secret = registered(site, receiver)
    event = happen(site, job="4711", because="2.650 mm für 1-IN")
    settle()
    (got,) = receiver.got
    assert got.message == {
        "type": "job.signed_off",
        "timestamp": "2026-03-02T08:30:00Z",
        "data": {"site": "north", "number": 4, "job": "4711", "because": "2.650 mm für 1-IN"},
    }
    assert got.id == str(event.pk)
    assert got.headers["webhook-timestamp"] == str(int(AT.timestamp()))
    assert got.signed_by(secret)
    assert got.body == delivery().body.encode()
    assert (delivery().state, delivery().attempts, delivery().last_status) == ("taken", 1, 204)
    settle()
    assert len(receiver.got) == 1


def test_every_kind_can_be_told(site, receiver, clock):
    registered(site, receiver)
    for kind in EventKind:
        happen(site, kind)
    settle()
    assert Counter(got.message["type"] for got in receiver.got) == Counter(EventKind.values)


def test_who_did_not_ask_hears_nothing(site, other_site, receiver, clock):
    registered(site, receiver, kinds=["stock.low"])
    registered(other_site, receiver)
    gone, _ = registered(site, receiver)
    disable_endpoint(endpoint=gone, actor=service_actor(), at=AT)
    happen(site)
    settle()
    assert receiver.got == []
    assert deliveries() == []


def test_work_that_was_rolled_back_tells_nobody(site, receiver, clock):
    registered(site, receiver)
    with transaction.atomic():
        happen(site)
        transaction.set_rollback(True)
    settle()
    assert receiver.got == []
    assert not OutboxEvent.objects.exists()


def test_an_event_that_leaves_the_outbox_twice_is_one_delivery(site, receiver, clock):
    registered(site, receiver)
    event = happen(site)
    settle()
    OutboxEvent.objects.filter(pk=event.pk).update(delivered_at=None)
    Task.objects.all().delete()
    settle()
    assert receiver.ids == [str(event.pk)]


def test_a_receiver_that_was_down_for_an_hour_gets_every_event_under_its_id(site, loopback, clock):
    down = Receiver(port=free_port())
    _, secret = registered(site, down)
    events = []
    for minute in range(60):
        clock.move_to(AT + minute * MINUTE)
        if minute % 6 == 0:
            events.append(happen(site, at=AT + minute * MINUTE))
        settle()
    assert {row.state for row in deliveries()} == {"waiting"}
    tried = [row for row in deliveries() if row.attempts]
    # A receiver that is down is left alone for five minutes at a time, whatever else comes to wait for it.
    assert len(tried) >= len(events) // 2
    assert {row.last_error for row in tried} == {"it refused the connection"}
    with receiving(down.port, told=down):
        for minute in range(60, 200, 5):
            clock.move_to(AT + minute * MINUTE)
            settle()
    assert Counter(down.ids) == Counter(str(event.pk) for event in events)
    assert all(got.signed_by(secret) for got in down.got)
    assert {row.state for row in deliveries()} == {"taken"}


def test_tries_follow_the_schedule_and_end_in_the_dead_letters(site, receiver, clock):
    registered(site, receiver)
    receiver.status = 500
    event = happen(site)
    tried_at = []
    while True:
        settle()
        row = delivery()
        tried_at.append(row.last_attempt_at)
        if row.state == "dead":
            break
        clock.move_to(row.next_attempt_at - timedelta(milliseconds=1))
        settle()
        assert len(receiver.got) == len(tried_at)
        clock.move_to(row.next_attempt_at)
    gaps = [later - earlier for earlier, later in itertools.pairwise(tried_at)]
    assert len(gaps) == len(BACKOFF) == 9
    for gap, wanted in zip(gaps, BACKOFF, strict=True):
        assert wanted <= gap <= wanted * 1.1
    assert sum(BACKOFF, timedelta()) == timedelta(hours=75, minutes=35, seconds=5)
    assert len({gap / wanted for gap, wanted in zip(gaps, BACKOFF, strict=True)}) > 1
    assert set(receiver.ids) == {str(event.pk)}
    assert len({got.body for got in receiver.got}) == 1
    # Each attempt has its own time, and is signed for it.
    assert len({got.headers["webhook-signature"] for got in receiver.got}) == 10
    assert row.last_error == "it answered 500"
    assert row.next_attempt_at is None


def test_a_receiver_that_asks_for_time_is_given_it(site, receiver, clock):
    registered(site, receiver)
    receiver.answers, receiver.headers = [429], {"Retry-After": "600"}
    happen(site)
    settle()
    assert delivery().next_attempt_at == AT + timedelta(seconds=600)
    happen(site, at=AT + MINUTE)
    clock.move_to(AT + MINUTE)
    settle()
    assert len(receiver.got) == 1
    clock.move_to(AT + timedelta(seconds=600))
    settle()
    assert len(receiver.got) == 3


def test_a_redirect_is_a_failure_and_is_not_followed(site, receiver, clock):
    registered(site, receiver)
    with receiving() as other:
        receiver.status, receiver.headers = 301, {"Location": other.url}
        happen(site)
        settle()
        assert other.got == []
    assert (delivery().state, delivery().last_status) == ("waiting", 301)


def test_a_receiver_that_is_gone_is_told_no_more(site, receiver, clock):
    endpoint, _ = registered(site, receiver)
    receiver.answers = [204, 410]
    for minute in range(4):
        happen(site, at=AT + timedelta(seconds=minute))
    settle()
    endpoint.refresh_from_db()
    assert endpoint.disabled_at == AT
    assert "410" in endpoint.disabled_because
    assert [row.state for row in deliveries()] == ["taken", "dead", "dead", "dead"]
    happen(site)
    settle()
    assert len(receiver.got) == 2
    assert len(deliveries()) == 4


class TestReplay:
    @pytest.fixture
    def dead(self, site, receiver, clock):
        """A delivery that was given up at AT, its receiver well again."""
        endpoint, self.secret = registered(site, receiver)
        receiver.status = 500
        happen(site)
        settle()
        disable_endpoint(endpoint=endpoint, actor=service_actor(), at=AT)
        receiver.status = 204
        assert delivery().state == "dead"
        return delivery()

    def enabled(self, dead):
        return enable_endpoint(endpoint=dead.endpoint, actor=service_actor(), at=AT)

    def test_sends_the_same_message_under_the_same_id(self, dead, receiver, clock):
        self.enabled(dead)
        clock.move_to(AT + HOUR)
        replay_delivery(delivery=dead, actor=service_actor(), at=AT + HOUR)
        settle()
        first, again = receiver.got
        assert (again.id, again.body) == (first.id, first.body)
        assert again.headers["webhook-timestamp"] != first.headers["webhook-timestamp"]
        assert again.signed_by(self.secret)
        assert (delivery().state, delivery().attempts) == ("taken", 1)

    def test_is_possible_for_what_was_taken_too(self, dead, receiver, clock):
        self.enabled(dead)
        for _ in range(2):
            replay_delivery(delivery=dead, actor=service_actor(), at=AT)
            settle()
        assert len(receiver.got) == 3
        assert len(set(receiver.ids)) == 1

    def test_of_everything_that_was_given_up(self, dead, site, receiver, clock):
        endpoint = self.enabled(dead)
        assert replay_dead(endpoint=endpoint, actor=service_actor(), at=AT) == 1
        settle()
        assert delivery().state == "taken"
        assert replay_dead(endpoint=endpoint, actor=service_actor(), at=AT) == 0

    def test_takes_an_endpoint_that_is_enabled(self, dead):
        with pytest.raises(WrongState, match="disabled"):
            replay_delivery(delivery=dead, actor=service_actor(), at=AT)
        with pytest.raises(WrongState, match="disabled"):
            replay_dead(endpoint=dead.endpoint, actor=service_actor(), at=AT)

    def test_of_what_is_still_on_its_way_is_refused(self, dead):
        self.enabled(dead)
        replay_delivery(delivery=dead, actor=service_actor(), at=AT)
        with pytest.raises(WrongState, match="on its way"):
            replay_delivery(delivery=dead, actor=service_actor(), at=AT)


class TestLine:
    """One worker at a time sends to a receiver, and one that is down is left alone for a while."""

    def test_a_receiver_that_is_down_is_tried_once_for_all_that_waits(self, site, receiver, clock):
        registered(site, receiver)
        with receiving() as well:
            registered(site, well)
            receiver.status = 503
            for _ in range(20):
                happen(site)
            settle()
            assert len(receiver.got) == 1
            assert len(well.got) == 20
        receiver.status = 200
        clock.move_to(AT + timedelta(seconds=10))
        settle()
        assert len(set(receiver.ids)) == 20

    def test_rests_double_up_to_five_minutes_and_end_with_a_success(self, site, receiver, clock):
        endpoint, _ = registered(site, receiver)
        receiver.status = 500
        now, rests = AT, []
        for _ in range(9):
            clock.move_to(now)
            happen(site, at=now)
            settle()
            endpoint.refresh_from_db()
            rests.append((endpoint.rest_until - now).total_seconds())
            now = endpoint.rest_until
        assert rests == [5, 10, 20, 40, 80, 160, 300, 300, 300]
        receiver.status = 200
        clock.move_to(now)
        settle()
        endpoint.refresh_from_db()
        assert (endpoint.rest_until, endpoint.failures) == (None, 0)

    def test_is_had_by_one_worker_at_a_time(self, site, receiver, clock):
        endpoint, _ = registered(site, receiver)
        assert delivering.take_line(endpoint.pk, at=AT) == endpoint
        assert delivering.take_line(endpoint.pk, at=AT + line_lease()) is None
        assert delivering.take_line(endpoint.pk, at=AT + line_lease() + MINUTE) == endpoint

    def test_of_a_worker_that_died_is_taken_up_by_another(self, site, receiver, clock):
        endpoint, _ = registered(site, receiver)
        assert delivering.take_line(endpoint.pk, at=AT)
        happen(site)
        settle()
        assert receiver.got == []
        clock.move_to(AT + line_lease() + timedelta(seconds=10))
        settle()
        assert len(receiver.got) == 1

    def test_a_worker_that_comes_back_too_late_changes_nothing(self, site, receiver, clock):
        registered(site, receiver)
        event = happen(site)
        hand_on(event, at=AT)
        stale = delivery()
        receiver.status = 500
        settle()
        assert (delivery().state, delivery().attempts) == ("waiting", 1)
        record_outcome(stale, Outcome(status=200), at=AT + MINUTE)
        assert (delivery().state, delivery().attempts, delivery().last_status) == ("waiting", 1, 500)

    def test_a_long_queue_lets_others_have_their_turn(self, site, receiver, clock, monkeypatch):
        monkeypatch.setattr(delivering, "MOST_AT_ONCE", 3)
        registered(site, receiver)
        for _ in range(7):
            happen(site)
        settle()
        assert len(receiver.got) == 7
        turns = [task.result["sent"] for task in Task.objects.filter(kind="deliver_webhooks")]
        assert max(turns) == 3
        assert sum(turns) == 7


def test_what_was_lost_on_its_way_is_found_again(site, receiver, clock):
    """The task that should have sent it is gone for good: the minute's look finds the delivery."""
    registered(site, receiver)
    happen(site)
    work.work_once()
    Task.objects.filter(kind="deliver_webhooks").delete()
    settle()
    assert receiver.got == []
    clock.move_to(AT + 2 * MINUTE)
    registry.periodic("resume_webhooks", every=MINUTE)(delivering.resume_webhooks)
    settle()
    assert len(receiver.got) == 1
    assert WebhookEndpoint.objects.get().busy_until is None


@pytest.mark.django_db(transaction=True)
def test_what_was_over_long_ago_is_forgotten(site, receiver, clock):
    registered(site, receiver)
    happen(site)
    settle()
    receiver.status = 500
    happen(site)
    settle()
    clock.move_to(AT + timedelta(days=31))
    registry.periodic("purge_webhooks", every=HOUR)(delivering.purge_webhooks)
    work.start_periodic(at=AT + timedelta(days=31))
    settle()
    assert Task.objects.get(kind="purge_webhooks").result["deliveries"] == 1
    assert [row.state for row in deliveries()] == ["waiting"]
