"""A14: killed anywhere between an act's commit and its event's arrival, the event still arrives under one id;
killed before the commit there is no event."""

import threading
import time

import pytest

from shop.models import OutboxEvent, Task, WebhookDelivery
from shop.webhooks.events import EventKind
from tests.faults.acts import ACTS, AT, Shop, found
from tests.faults.test_killed_in_an_act import Crasher
from tests.servers.children import wait_until
from tests.servers.programs import python
from tests.shop.hooks import happen, registered
from tests.shop.receiver import receiving

pytestmark = pytest.mark.django_db(transaction=True)
ENVIRONMENT = {"COLDGAP_TASK_LEASE_SECONDS": "1.5", "COLDGAP_WEBHOOK_ALLOW_PRIVATE": "127.0.0.0/8"}


@pytest.fixture(autouse=True)
def loopback(settings):
    settings.COLDGAP = settings.COLDGAP | {"WEBHOOK_ALLOW_PRIVATE": ["127.0.0.0/8"]}


@pytest.fixture
def worker(tmp_path):
    """Start workers of the background rows; all are gone after the test."""
    started = []

    def start():
        log = tmp_path / f"worker{len(started)}.log"
        started.append(python(["-m", "tests.faults.loop_worker"], log=log, **ENVIRONMENT))
        return started[-1]

    yield start
    for child in started:
        child.kill()


@pytest.fixture
def crasher(tmp_path):
    """Runs acts that die at a chosen place."""
    process = Crasher(tmp_path / "crasher.log")
    yield process
    process.close()


def test_an_act_that_dies_after_its_commit_is_told_one_that_dies_before_is_not(crasher, worker):
    found()
    shop = Shop()
    act = ACTS["receive_purchase"]
    act.before(shop)
    with receiving() as receiver:
        _, secret = registered(shop.site, receiver, kinds=["delivery.received"])
        crasher.kill(act.service, "before commit")
        assert not OutboxEvent.objects.exists()
        crasher.kill(act.service, "after commit")
        event = OutboxEvent.objects.get()
        assert receiver.got == []
        child = worker()
        wait_until(lambda: receiver.got, seconds=30, what="the event to arrive", by=child)
        assert receiver.ids == [str(event.pk)]
        assert receiver.got[0].signed_by(secret)
        assert receiver.got[0].message["data"]["purchase_list"] == str(shop.list().pk)


def test_a_worker_that_dies_while_it_sends_is_followed_by_one_that_sends_again(worker, site):
    """The receiver has the event and has not answered yet: nobody knows whether it was taken."""
    go = threading.Event()

    class Slow(list):
        """The answers to give; the first is thought about for long."""

        def __bool__(self):
            go.wait(30)
            return False

    with receiving() as receiver:
        receiver.answers = Slow()
        registered(site, receiver)
        event = happen(site, EventKind.HOLD_READY, at=AT)
        first = worker()
        wait_until(lambda: receiver.got, seconds=30, what="the event to arrive", by=first)
        first.kill()
        killed = time.monotonic()
        assert WebhookDelivery.objects.get().state == "waiting"
        go.set()
        second = worker()
        taken = WebhookDelivery.objects.filter(state="taken")
        wait_until(taken.exists, seconds=30, what="the event to be taken", by=second)
        assert time.monotonic() - killed < 30
        assert receiver.ids == [str(event.pk)] * 2
        assert receiver.got[0].body == receiver.got[1].body
        # The next one finds the line to the receiver free.
        later = happen(site, EventKind.HOLD_READY, at=AT)
        wait_until(lambda: len(receiver.got) == 3, seconds=30, what="the next event", by=second)
        assert receiver.ids[2] == str(later.pk)
        assert not Task.objects.filter(state="failed").exists()


def test_two_workers_at_once_send_each_event_once(worker, site):
    with receiving() as receiver:
        registered(site, receiver)
        crowd = [worker(), worker()]
        events = [happen(site, at=AT) for _ in range(30)]
        taken = WebhookDelivery.objects.filter(state="taken")
        wait_until(lambda: taken.count() == 30, seconds=60, what="all to be taken", by=crowd[0])
        assert sorted(receiver.ids) == sorted(str(event.pk) for event in events)
