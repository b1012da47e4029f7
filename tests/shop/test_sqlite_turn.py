"""Of the requests of one process on SQLite one is worked on at a time, and none waits for long."""

import contextlib
import io
import threading
import time

import pytest
from django.core.exceptions import MiddlewareNotUsed
from django.core.handlers.wsgi import WSGIRequest
from django.db import connection
from django.http import HttpRequest

from shop.db.sqlite import turn
from tests.servers.children import wait_until

sqlite = pytest.mark.sqlite
SOON = 5


class Request:
    """A request in a thread of its own, whose view goes on when it is told to."""

    def __init__(self, before=lambda: None, method="GET", length="", body=None):
        self._request = WSGIRequest(
            {
                "REQUEST_METHOD": method,
                "CONTENT_LENGTH": length,
                "CONTENT_TYPE": "application/json",
                "wsgi.input": io.BytesIO(b"x" * 10) if body is None else body,
            }
        )
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
        # Not asserted: a test that failed never says go, and its thread must not fail another test.
        self.go.wait(SOON)
        return "answer"

    def end(self):
        self.go.set()
        self._thread.join()


def change(before=lambda: None, **more):
    return Request(before, method="POST", length="10", **more)


def waiting(number):
    """So many wait for their turn now."""

    def there():
        return len(turn._turns._reads) + len(turn._turns._changes) == number

    wait_until(there, seconds=SOON, what=f"{number} who wait")


@pytest.fixture
def patient(monkeypatch):
    monkeypatch.setattr(turn, "LONGEST_TURN_SECONDS", SOON)
    monkeypatch.setattr(turn, "LONGEST_WAIT_WITH_THE_LOCK_SECONDS", SOON)


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
def test_while_one_waits_for_the_lock_others_read_and_none_begins_to_change(patient):
    at_the_lock, free = threading.Event(), threading.Event()

    def wait_for_the_lock():
        with turn.for_the_lock():
            at_the_lock.set()
            assert free.wait(SOON)

    first = change(before=wait_for_the_lock)
    assert at_the_lock.wait(SOON)
    second = change()
    waiting(1)
    reader = Request()
    assert reader.inside.wait(SOON)
    free.set()
    reader.end()
    assert first.inside.wait(SOON)
    assert not second.inside.wait(0.1)
    first.end()
    assert second.inside.wait(SOON)
    second.end()


@sqlite
def test_who_waits_for_the_lock_in_vain_leaves_others_to_change(patient):
    at_the_lock = threading.Event()

    def wait_in_vain():
        with contextlib.suppress(ZeroDivisionError), turn.for_the_lock():
            at_the_lock.set()
            waiting(1)
            raise ZeroDivisionError

    first = change(before=wait_in_vain)
    assert at_the_lock.wait(SOON)
    second = change()
    assert second.inside.wait(SOON)
    assert first.inside.wait(SOON)
    second.end()
    first.end()
    assert turn._turns.is_free


@sqlite
def test_those_who_read_go_before_those_who_change_something_but_not_for_ever(patient):
    at_work = Request()
    assert at_work.inside.wait(SOON)
    early = change()
    waiting(1)
    reader = Request()
    waiting(2)
    at_work.end()
    assert reader.inside.wait(SOON)
    time.sleep(turn.CHANGES_ARE_DUE_LATER_SECONDS)
    late = Request()
    waiting(2)
    reader.end()
    assert early.inside.wait(SOON)
    assert not late.inside.is_set()
    early.end()
    late.end()


@sqlite
def test_a_body_that_is_long_in_coming_keeps_nobody_waiting(patient):
    class Slow(io.BytesIO):
        def read(self, *size):
            assert came.wait(SOON)
            return super().read(*size)

    came = threading.Event()
    sending = change(body=Slow(b"x" * 10))
    other = Request()
    assert other.inside.wait(SOON)
    came.set()
    assert not sending.inside.wait(0.1)
    other.end()
    assert sending.inside.wait(SOON)
    sending.end()


@sqlite
def test_nobody_waits_for_a_large_body(patient):
    sending = Request(method="POST", length=str(turn.SMALL_BODY_BYTES + 1))
    assert sending.inside.wait(SOON)
    other = Request()
    assert other.inside.wait(SOON)
    other.end()
    sending.end()


@sqlite
def test_whoever_goes_in_the_middle_of_a_body_is_answered_with_a_refusal():
    class Gone(io.BytesIO):
        def read(self, *size):
            raise OSError("gone")

    environ = {"REQUEST_METHOD": "POST", "CONTENT_LENGTH": "10", "wsgi.input": Gone()}
    assert turn.TurnMiddleware(str)(WSGIRequest(environ)).status_code == 400
    assert turn._turns.is_free


@sqlite
def test_who_has_the_write_lock_does_not_wait_long_for_a_turn():
    def take_the_lock():
        with turn.for_the_lock():
            pass

    slow = Request()
    assert slow.inside.wait(SOON)
    began = time.monotonic()
    writer = Request(before=take_the_lock, method="POST", length=str(turn.SMALL_BODY_BYTES + 1))
    assert writer.inside.wait(SOON)
    waited = time.monotonic() - began
    assert turn.LONGEST_WAIT_WITH_THE_LOCK_SECONDS <= waited < turn.LONGEST_TURN_SECONDS
    writer.end()
    slow.end()


@sqlite
def test_long_work_delays_others_no_longer_than_they_wait():
    # Before the slow one's turn begins: its 0.1 s run from there, not from when this thread hears of it.
    began = time.monotonic()
    slow = Request()
    assert slow.inside.wait(SOON)
    other = Request()
    assert other.inside.wait(SOON)
    assert time.monotonic() - began >= turn.LONGEST_TURN_SECONDS
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
    assert turn._turns.is_free


@sqlite
def test_outside_a_request_nobody_waits():
    with turn.for_the_lock():
        pass
    assert turn._turns.is_free


def test_it_is_there_for_sqlite_alone():
    if connection.vendor == "sqlite":
        turn.TurnMiddleware(str)
        return
    with pytest.raises(MiddlewareNotUsed):
        turn.TurnMiddleware(str)
