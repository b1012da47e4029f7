"""Of the requests of one process on SQLite one is worked on at a time, and none waits for long."""

import threading
import time

import pytest
from django.core.exceptions import MiddlewareNotUsed
from django.db import connection
from django.http import HttpRequest

from shop.db.sqlite import turn

sqlite = pytest.mark.sqlite
SOON = 5


class Request:
    """A request in a thread of its own, whose view goes on when it is told to."""

    def __init__(self, before=lambda: None, length=""):
        self._request = HttpRequest()
        self._request.META["CONTENT_LENGTH"] = length
        self.inside, self.go, self.done = threading.Event(), threading.Event(), threading.Event()
        self._before = before
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self):
        assert turn.TurnMiddleware(self._view)(self._request) == "answer"
        self.done.set()

    def _view(self, request):
        self._before()
        self.inside.set()
        assert self.go.wait(SOON)
        return "answer"

    def end(self):
        self.go.set()
        self._thread.join()


@pytest.fixture
def patient(monkeypatch):
    monkeypatch.setattr(turn, "LONGEST_WAIT_SECONDS", SOON)
    monkeypatch.setattr(turn, "WITH_THE_LOCK_SECONDS", SOON)


@sqlite
def test_the_second_begins_when_the_first_is_answered(patient):
    first = Request()
    assert first.inside.wait(SOON)
    second = Request()
    assert not second.inside.wait(0.1)
    first.end()
    assert second.inside.wait(SOON)
    second.end()


@sqlite
def test_whoever_waits_for_something_else_lets_others_work(patient):
    free = threading.Event()

    def wait_for_the_lock():
        with turn.for_the_lock():
            assert free.wait(SOON)

    writer = Request(before=wait_for_the_lock)
    reader = Request()
    assert reader.inside.wait(SOON)
    free.set()
    assert not writer.inside.wait(0.1)
    reader.end()
    assert writer.inside.wait(SOON)
    writer.end()


@sqlite
def test_a_body_that_is_long_in_coming_keeps_nobody_waiting(patient):
    sending = Request(length="500")
    assert sending.inside.wait(SOON)
    other = Request()
    assert other.inside.wait(SOON)
    other.end()
    sending.end()


@sqlite
def test_who_has_the_write_lock_does_not_wait_long_for_a_turn():
    def take_the_lock():
        with turn.for_the_lock():
            pass

    slow = Request()
    assert slow.inside.wait(SOON)
    began = time.monotonic()
    writer = Request(before=take_the_lock, length="2")
    assert writer.inside.wait(SOON)
    assert turn.WITH_THE_LOCK_SECONDS <= time.monotonic() - began < turn.LONGEST_WAIT_SECONDS
    writer.end()
    slow.end()


@sqlite
def test_long_work_delays_others_no_longer_than_they_wait():
    slow = Request()
    assert slow.inside.wait(SOON)
    began = time.monotonic()
    other = Request()
    assert other.inside.wait(SOON)
    assert time.monotonic() - began >= turn.LONGEST_WAIT_SECONDS
    other.end()
    slow.end()
    following = Request()
    assert following.inside.wait(SOON)
    following.end()


@sqlite
def test_a_view_that_fails_leaves_its_turn():
    def fail(request):
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        turn.TurnMiddleware(fail)(HttpRequest())
    assert not turn._turn.locked()


@sqlite
def test_outside_a_request_nobody_waits():
    with turn.for_the_lock():
        pass
    assert not turn._turn.locked()


def test_it_is_there_for_sqlite_alone():
    if connection.vendor == "sqlite":
        turn.TurnMiddleware(str)
        return
    with pytest.raises(MiddlewareNotUsed):
        turn.TurnMiddleware(str)
