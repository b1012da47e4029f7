"""Background rows (law 3): queued with their cause, run once, given up after bounded tries, never lost."""

from datetime import timedelta

import pytest
from django.db import transaction
from django.utils import timezone

from shop.background import claims, registry, work
from shop.background.queue import cancel_task, queue_task, record_event
from shop.errors import Busy, Conflict, WrongState
from shop.models import OutboxEvent, PeriodicSlot, Site, Task

pytestmark = pytest.mark.django_db
NOW = timezone.now()


@pytest.fixture
def handles(monkeypatch):
    """Make a function the handler of a kind for one test, and no other periodic task due."""
    monkeypatch.setattr(registry, "handlers", {})
    monkeypatch.setattr(registry, "periodics", {})
    monkeypatch.setattr(registry, "receivers", {})

    def register(kind, function):
        registry.task_handler(kind)(function)
        return function

    return register


def queued(kind="paint", **options):
    return queue_task(kind, {"colour": "blue"}, at=NOW, **options)


def again(task):
    task.refresh_from_db()
    return task


def test_a_task_runs_with_its_payload_and_keeps_its_result(handles):
    handles("paint", lambda task: {"painted": task.payload["colour"]})
    task = queued()
    assert work.work_once(NOW) == 1
    again(task)
    assert (task.state, task.result, task.progress) == ("done", {"painted": "blue"}, 100)
    assert task.finished_at is not None
    assert work.work_once(NOW) == 0


@pytest.mark.django_db(transaction=True)
def test_a_task_is_there_only_if_its_cause_is(handles):
    handles("paint", lambda task: None)

    with transaction.atomic():
        queued()
        transaction.set_rollback(True)
    assert not Task.objects.exists()
    with transaction.atomic():
        queued()
    assert Task.objects.exists()


def test_a_kind_that_nothing_handles_is_refused_when_it_is_queued(handles):
    with pytest.raises(LookupError, match="'paint'"):
        queued()


def test_two_functions_cannot_claim_one_kind(handles):
    handles("paint", lambda task: None)
    with pytest.raises(ValueError, match="paint"):
        handles("paint", lambda task: {})


def test_a_task_under_one_key_is_queued_once(handles):
    handles("paint", lambda task: None)
    first, second = queued(dedupe_key="door 4"), queued(dedupe_key="door 4")
    assert first.pk == second.pk
    assert Task.objects.count() == 1


def test_a_task_for_later_waits(handles):
    handles("paint", lambda task: None)
    queued(run_after=NOW + timedelta(hours=1))
    assert work.work_once(NOW) == 0
    assert work.work_once(NOW + timedelta(hours=1)) == 1


def test_one_that_was_asked_for_by_a_machine_whose_clock_is_ahead_does_not_wait(handles):
    handles("paint", lambda task: None)
    queue_task("paint", {}, at=NOW + timedelta(hours=1))
    assert work.work_once(NOW) == 1


def test_a_lease_from_before_a_clock_was_put_back_does_not_last(handles):
    handles("paint", lambda task: None)
    task = queued()
    claims.claim(task.pk, at=NOW + timedelta(minutes=3))
    assert claims.sweep(at=NOW) == 0
    claims.extend(again(task), at=NOW + timedelta(hours=1))
    assert claims.sweep(at=NOW) == 1
    assert work.work_once(NOW) == 1


def test_a_claimed_task_cannot_be_claimed_again(handles):
    handles("paint", lambda task: None)
    task = queued()
    assert claims.claim(task.pk, at=NOW).fence == 1
    assert claims.claim(task.pk, at=NOW) is None
    assert not work.run_task(task.pk, now=NOW)


def test_one_that_was_given_up_cannot_finish(handles):
    handles("paint", lambda task: None)
    task = queued()
    first = claims.claim(task.pk, at=NOW)
    late = NOW + timedelta(minutes=5)
    assert claims.sweep(at=late) == 1
    second = claims.claim(task.pk, at=late)
    assert (first.fence, second.fence) == (1, 2)
    for step in (
        lambda: claims.finish(first, at=late, result=None),
        lambda: claims.extend(first, at=late),
    ):
        with pytest.raises(claims.LeaseLost):
            step()
    claims.give_up(first, at=late, reason="no")
    claims.try_later(first, at=late, reason="no")
    assert again(task).state == "running"
    claims.finish(second, at=late, result={"by": "second"})
    assert again(task).result == {"by": "second"}


def test_what_a_handler_commits_is_not_there_when_its_lease_was_lost(handles):
    def handler(task):
        Task.objects.filter(pk=task.id).update(fence=99)
        with task.commit({}):
            Site.objects.create(code="late", name="Late")

    handles("paint", handler)
    queued()
    work.work_once(NOW)
    assert not Site.objects.exists()


def test_a_lost_task_is_tried_three_times_then_failed_with_a_reason(handles):
    handles("paint", lambda task: None)
    task, at = queued(), NOW
    for lost in (1, 2, 3):
        assert claims.claim(task.pk, at=at) is not None
        at += timedelta(minutes=5)
        assert claims.sweep(at=at) == 1
        assert again(task).lost == lost
    assert task.state == "failed"
    assert "stopped without a word 3 times" in task.error


def test_a_lease_that_still_runs_is_not_swept(handles):
    handles("paint", lambda task: None)
    task = claims.claim(queued().pk, at=NOW)
    assert claims.sweep(at=NOW + timedelta(seconds=29)) == 0
    claims.extend(task, at=NOW + timedelta(seconds=29), progress=40, message="half a door")
    assert claims.sweep(at=NOW + timedelta(seconds=58)) == 0
    assert again(task).message == "half a door"


def test_progress_never_goes_back(handles):
    handles("paint", lambda task: None)
    task = claims.claim(queued().pk, at=NOW)
    for said, shown in ((30, 30), (10, 30), (400, 100), (-5, 100)):
        claims.extend(task, at=NOW, progress=said)
        assert again(task).progress == shown


def test_an_error_is_tried_five_times_with_growing_pauses_and_tells_nothing_secret(handles):
    def handler(task):
        raise RuntimeError("password=hunter2")

    handles("paint", handler)
    task, at, pauses = queued(), NOW, []
    for _ in range(5):
        assert work.run_task(task.pk, now=at)
        again(task)
        pauses.append(task.run_after - timezone.now())
        at = max(at, task.run_after)
    assert (task.state, task.attempts) == ("failed", 5)
    assert "RuntimeError" in task.error
    assert "hunter2" not in task.error
    assert pauses[0] < pauses[1] < pauses[2] < pauses[3]
    assert not work.run_task(task.pk, now=at + timedelta(days=1))


def test_a_refusal_is_final_and_says_why(handles):
    def handler(task):
        raise Conflict("The purchase list was received already.")

    handles("paint", handler)
    task = queued()
    work.work_once(NOW)
    assert again(task).state == "failed"
    assert task.error == "The purchase list was received already."


def test_a_busy_database_is_no_refusal(handles):
    def handler(task):
        raise Busy("The shop's database is busy just now.")

    handles("paint", handler)
    task = queued()
    work.work_once(NOW)
    assert again(task).state == "queued"


def test_a_kind_that_is_no_longer_known_fails_with_a_reason(handles, monkeypatch):
    handles("paint", lambda task: None)
    task = queued()
    monkeypatch.setattr(registry, "handlers", {})
    work.work_once(NOW)
    assert "does not know tasks of kind paint" in again(task).error


def test_one_bad_task_does_not_keep_the_others(handles):
    def bad(task):
        raise RuntimeError

    handles("bad", bad)
    handles("good", lambda task: None)
    queued("bad")
    good = queued("good")
    work.work_once(NOW)
    assert again(good).state == "done"


def test_cancelling_stops_what_waits_and_what_runs_but_not_what_is_over(handles):
    handles("paint", lambda task: None)
    waiting, running = queued(), queued()
    claimed = claims.claim(running.pk, at=NOW)
    assert cancel_task(waiting, at=NOW).state == "cancelled"
    assert cancel_task(running, at=NOW).state == "cancelled"
    with pytest.raises(claims.LeaseLost):
        claims.extend(claimed, at=NOW)
    with pytest.raises(WrongState, match="over already"):
        cancel_task(waiting, at=NOW)


@pytest.mark.django_db(transaction=True)
def test_a_heartbeat_inside_a_transaction_is_a_mistake(handles):
    def handler(task):
        with transaction.atomic():
            task.heartbeat(10, "nobody sees this")

    handles("paint", handler)
    task = queued()
    work.work_once(timezone.now())
    assert again(task).attempts == 1
    assert task.message == ""


def test_a_periodic_task_runs_once_in_its_slot_and_once_after_a_day_away(handles):
    registry.periodic("tick", every=timedelta(hours=1))(lambda task: None)
    at = NOW.replace(minute=5)
    assert work.start_periodic(at=at) == 1
    assert work.start_periodic(at=at + timedelta(minutes=40)) == 0
    assert work.start_periodic(at=at + timedelta(days=1)) == 1
    assert Task.objects.count() == PeriodicSlot.objects.count() == 2


def test_two_schedulers_that_both_found_the_slot_empty_queue_one_task(handles):
    registry.periodic("tick", every=timedelta(hours=1))(lambda task: None)
    slot = registry.periodics["tick"].slot(NOW)
    assert work._start_slot("tick", slot, NOW)
    assert not work._start_slot("tick", slot, NOW)
    assert Task.objects.count() == PeriodicSlot.objects.count() == 1


def test_an_event_reaches_each_receiver_once(handles):
    seen = []
    handles("mail", lambda task: seen.append(("mail", task.payload["payload"])))
    handles("count", lambda task: seen.append(("count", task.payload["event_kind"])))
    registry.receives("stock-low", by="mail")
    registry.receives("stock-low", by="count")
    record_event("stock-low", {"size": "2.650"}, at=NOW)
    record_event("unheard-of", {}, at=NOW)
    for _ in range(2):
        work.work_once(timezone.now())
    assert sorted(seen) == [("count", "stock-low"), ("mail", {"size": "2.650"})]
    assert not OutboxEvent.objects.filter(delivered_at=None).exists()


def test_what_is_old_and_over_is_purged(handles):
    handles("paint", lambda task: None)
    handles("purge_background", work.purge_background)
    old, new, waiting = queued(), queued(), queued(run_after=NOW + timedelta(days=30))
    work.work_once(NOW)
    Task.objects.filter(pk=old.pk).update(finished_at=NOW - timedelta(days=9))
    purge = queued("purge_background")
    work.work_once(NOW)
    assert again(purge).result == {"slots": 0, "tasks": 1, "events": 0}
    assert set(Task.objects.values_list("pk", flat=True)) == {new.pk, waiting.pk, purge.pk}
