"""Two at once: one effect, and each of the two is told so (bars A4, L9, L10, L12)."""

import threading
from concurrent.futures import ThreadPoolExecutor

import pytest
from django.db import connection, connections, transaction

from api import holds
from api.idempotency import REPLAYED
from api.models import KeptAnswer
from inventory.models import Hold
from tests.api.program import Program
from tests.api.test_every_write import rows
from tests.api.writes import CASES, method_of, thing_at, writes

WRITES = [pytest.param(declared, id=declared.name) for _, declared in writes()]


@pytest.fixture(autouse=True)
def committing(transactional_db):
    """Threads see each other's work only where it is really committed."""


def at_once(*calls):
    """The answers of several calls that are let go at the same moment, each in a thread of its own."""
    barrier = threading.Barrier(len(calls))

    def run(call):
        try:
            barrier.wait()
            return call()
        finally:
            connections.close_all()

    with ThreadPoolExecutor(len(calls)) as pool:
        return list(pool.map(run, calls))


def difference(before, after):
    return {table: after[table] - before[table] for table in after if after[table] != before[table]}


def without_balances(effect):
    """A balance's row is made by whoever needs it first; the audit after each test counts what is in it."""
    return {table: count for table, count in effect.items() if table != "inventory.Balance"}


def prepared(world, declared):
    path, body = CASES[declared.name](world)
    tag = world.program.get(thing_at(declared, path))["ETag"] if declared.needs_if_match else None
    return path, body, tag


def sending(world, path, body, key, tag, method="post"):
    return lambda: Program(world.program.text).send(method, path, body, key=key, if_match=tag)


@pytest.mark.parametrize("declared", WRITES)
def test_the_same_request_twice_at_once_has_one_effect(world, declared):
    path, body, tag = prepared(world, declared)
    before = rows()
    with transaction.atomic():
        answer = sending(world, path, body, "alone", tag, method_of(declared))()
        assert answer.status_code == declared.status
        alone = difference(before, rows())
        transaction.set_rollback(True)
    assert rows() == before

    answers = at_once(*[sending(world, path, body, "k", tag, method_of(declared))] * 4)
    done = [answer for answer in answers if answer.status_code == declared.status]
    turned_away = [answer for answer in answers if answer.status_code == 409]
    assert len(done) + len(turned_away) == 4, [answer.content for answer in answers]
    for answer in turned_away:
        assert answer.json()["type"] == "/api/problems/in-flight"
        assert answer["Retry-After"] == "1"
    assert len({answer.content for answer in done}) == 1
    assert sum(REPLAYED not in answer for answer in done) == 1
    assert without_balances(difference(before, rows())) == without_balances(alone)
    # Whoever was turned away asks again and gets the first answer too.
    assert sending(world, path, body, "k", tag, method_of(declared))().content == done[0].content
    assert without_balances(difference(before, rows())) == without_balances(alone)
    assert KeptAnswer.objects.filter(key="k").count() == 1


def test_sixteen_at_once_get_one_answer(world):
    path, body = CASES["hold_shims"](world)
    answers = at_once(*[sending(world, path, body, "k", None)] * 16)
    done = [answer for answer in answers if answer.status_code == 201]
    assert {answer.status_code for answer in answers} <= {201, 409}
    assert len({(answer.content, answer["Location"]) for answer in done}) == 1
    (held,) = world.program.get("/holds").json()["items"]
    assert held["id"] == done[0].json()["id"]


def test_two_who_saw_the_same_change_it_once(world):
    """L12, a round for each of 25 changes: one 200, one 412, never two 200."""
    hold = f"/holds/{world.hold()['id']}"
    for minutes in range(60, 85):
        tag = world.program.get(hold)["ETag"]
        answers = at_once(
            sending(world, f"{hold}/extend", {"expires_in": minutes}, f"a{minutes}", tag),
            sending(world, f"{hold}/extend", {"expires_in": minutes + 1_000}, f"b{minutes}", tag),
        )
        assert sorted(answer.status_code for answer in answers) == [200, 412]


def test_two_who_saw_the_same_bin_change_it_once(world):
    """L12 for a PATCH: one of the two is told that the bin is no longer as it was seen."""
    path = f"/bins/{world.shop.bin('2.700').pk}"
    for number in range(10, 20):
        tag = world.program.get(path)["ETag"]
        answers = at_once(
            sending(world, path, {"capacity": number}, f"c{number}", tag, "patch"),
            sending(world, path, {"capacity": number + 50}, f"d{number}", tag, "patch"),
        )
        assert sorted(answer.status_code for answer in answers) == [200, 412]
        (done,) = [answer.json() for answer in answers if answer.status_code == 200]
        assert world.program.get(path).json() == done


def test_two_after_the_last_shim(world):
    """One gets it, the other is told at once, and the refusal sticks to its key."""
    world.shop.stock(("2.800", "new", 1))
    body = {"lines": [world.line("2.800")]}
    answers = at_once(
        *(sending(world, "/holds", body | {"reference": name}, name, None) for name in ("a", "b"))
    )
    assert sorted(answer.status_code for answer in answers) == [201, 409]
    (refused,) = [answer for answer in answers if answer.status_code == 409]
    assert refused.json()["errors"][0]["pointer"] == "/lines/0"
    assert "0 available" in refused.json()["detail"]


@pytest.mark.postgresql
@pytest.mark.parametrize("act", ["extend", "release"])
def test_nobody_waits_for_a_hold_of_another_site(world, stranger, act):
    """A wait would tell that it is there, and that somebody works with it."""
    hold = world.hold()["id"]
    body = {"expires_in": 60} if act == "extend" else {}

    def ask():
        return Program(stranger.text).post(f"/holds/{hold}/{act}", body, key="k", if_match='"seen"')

    with ThreadPoolExecutor(1) as pool, transaction.atomic():
        Hold.objects.select_for_update().get(pk=hold)
        (answer,) = pool.submit(at_once, ask).result(10)
    assert answer.status_code == 404


@pytest.mark.postgresql
def test_a_worker_that_dies_leaves_no_key_behind(world):
    """The lock and the row live in its transaction: gone with it, at once."""
    path, body = CASES["hold_shims"](world)
    started, die = threading.Event(), threading.Event()

    def killed():
        plain = holds.hold_shims

        def slow(**asked):
            done = plain(**asked)
            started.set()
            die.wait(10)
            connection.connection.close()  # as a killed worker's does
            return done

        holds.hold_shims = slow
        try:
            return Program(world.program.text).post(path, body, key="k")
        finally:
            holds.hold_shims = plain
            connections.close_all()

    with ThreadPoolExecutor(1) as pool:
        dying = pool.submit(killed)
        assert started.wait(10)
        meanwhile = world.program.post(path, body, key="k")
        assert meanwhile.status_code == 409
        die.set()
        assert dying.result().status_code in (500, 503)
    again = world.program.post(path, body, key="k")
    assert again.status_code == 201
    assert REPLAYED not in again
    assert len(world.program.get("/holds").json()["items"]) == 1
