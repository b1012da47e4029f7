"""Through a real web server of several workers: the last shims, one key, workers that are killed (L1, L9)."""

import os
import random
import signal
import threading
from collections import Counter
from concurrent.futures import ThreadPoolExecutor

import pytest
from django.db import connection
from django.utils import timezone

from api.models import KeptAnswer
from inventory.models import Hold
from inventory.selectors.audit import audit
from inventory.services.holds import release_hold
from shop.actor import service_actor
from tests.concurrency.crowd import deadlocks
from tests.concurrency.over_http import (
    ONE_BY_ONE,
    after_the_last,
    callers,
    figures,
    serving,
    together,
    wait_for_workers,
    warm,
    worker_processes,
)
from tests.concurrency.steady import side_by_side
from tests.concurrency.workers import service_environment
from tests.servers.children import wait_until


@pytest.fixture(autouse=True)
def committing(transactional_db):
    """The server's processes see only what is really committed."""


@pytest.fixture
def web(world, tmp_path):
    with serving(tmp_path, service_environment()) as server:
        yield server


@pytest.fixture
def crowd(web, world):
    with callers(web, world.program.text, 64) as made:
        warm(made)
        yield made


def test_sixty_four_after_the_last_ten(world, web, crowd, size):
    """L1: ten get one, the others are told so, round after round."""
    world.shop.stock(("2.800", "new", 10))
    before, seconds = deadlocks_so_far(), []
    for number in range(size(3, 100)):
        answers = after_the_last(crowd, world.line("2.800"), number)
        assert Counter((one.status, one.problem) for one in answers) == {
            (201, ""): 10,
            (409, "not-enough"): 54,
        }, number
        held = Hold.objects.filter(state="held")
        assert sorted(str(pk) for pk in held.values_list("pk", flat=True)) == sorted(
            one.json()["id"] for one in answers if one.status == 201
        )
        refusal = next(one for one in answers if one.status == 409).json()
        assert "1 × 2.800 mm new asked" in refusal["detail"]
        assert "0 available" in refusal["detail"]
        seconds += [one.seconds for one in answers]
        for hold in held:
            release_hold(hold=hold, actor=service_actor(), at=timezone.now())
    print(f"{connection.vendor}, a hold among 64 at once over HTTP: {figures(seconds)}")
    web.stop()
    assert deadlocks() == before
    assert audit() == []


def deadlocks_so_far():
    """While the server has its connections open: nobody fought yet."""
    if connection.vendor != "postgresql":
        return 0
    with connection.cursor() as cursor:
        cursor.execute("SELECT deadlocks FROM pg_stat_database WHERE datname = current_database()")
        return cursor.fetchone()[0]


def test_sixteen_with_one_key_get_one_answer(world, crowd, size):
    """L9: byte for byte; whoever is told that it is under way asks again."""
    for number in range(size(3, 100)):
        body = {"reference": f"one {number}", "lines": [world.line()]}
        asked = [lambda _, one, n=number, b=body: one.insist("POST", "/holds", b, key=f"one-{n}")]
        answers = together(crowd[:16], *asked)
        assert {one.status for one in answers} == {201}
        assert len({(one.body, one.headers["location"]) for one in answers}) == 1
        assert Hold.objects.filter(reference=body["reference"]).count() == 1
        release_hold(
            hold=Hold.objects.get(reference=body["reference"]), actor=service_actor(), at=timezone.now()
        )


def test_keys_repeated_while_workers_are_killed(world, web, crowd, size):
    """L9: of many keys three in ten come again, one in ten of these with another body; workers die by
    SIGKILL meanwhile. Whoever gets no answer asks again under the same key."""
    rng = random.Random(4)
    keys, kills = size(200, 10_000), size(2, 60)
    world.shop.stock(("2.900", "new", keys))
    line, asked, told = world.line("2.900"), [], {}
    for number in range(keys):
        asked.append((number, f"order {number}"))
        if rng.random() < 0.3:
            again = rng.randrange(number + 1)
            other = " changed" if rng.random() < 0.1 else ""
            asked.append((again, f"order {again}{other}"))
    doomed = set(rng.sample(range(len(asked) // 10, len(asked)), kills))

    def ask(share, one):
        for place in range(share, len(asked), 16):
            if place in doomed:
                os.kill(rng.choice(worker_processes(web)), signal.SIGKILL)
            number, reference = asked[place]
            body = {"reference": reference, "lines": [line]}
            answer = one.insist("POST", "/holds", body, key=f"key-{number}")
            told.setdefault(number, []).append((reference, answer))

    with ThreadPoolExecutor(16) as pool:
        list(pool.map(ask, range(16), crowd))
    wait_for_workers(web)
    changed = 0
    for number, answers in told.items():
        done = {(one.body, one.headers.get("location")) for _, one in answers if one.status == 201}
        refused = [one for _, one in answers if one.status != 201]
        changed += len(refused)
        assert len(done) <= 1, number
        assert {(one.status, one.problem) for one in refused} <= {(422, "idempotency-key-reused")}, refused
        # What was first counts: each other wording under the key was refused, whichever came first.
        assert len({reference for reference, one in answers if one.status == 201}) == 1, number
    effects = Counter(Hold.objects.values_list("reference", flat=True))
    assert set(effects.values()) == {1}
    assert sum(effects.values()) == len(told) == keys
    assert KeptAnswer.objects.filter(key__startswith="key-").count() == keys
    assert changed > 0
    print(f"{connection.vendor}: {keys:,} keys, {len(asked):,} requests, {kills} workers killed")


@pytest.mark.long
def test_restarts_while_programs_write_fail_nobody(world, web):
    """F18: fifty writes a second, each answered, and whoever worked before a restart is gone in 30 s."""
    world.shop.stock(("2.900", "new", 100_000))
    line, end, answers = world.line("2.900"), threading.Event(), []

    def write(share, one):
        number = 0
        while not end.wait(8 / 50):
            number += 1
            body = {"reference": f"order {share}-{number}", "lines": [line]}
            answers.append(one.send("POST", "/holds", body, key=f"key-{share}-{number}"))

    def come_further():
        so_far = len(answers)
        wait_until(lambda: len(answers) > so_far + 100, seconds=30, what="a hundred more", by=web.child)

    with callers(web, world.program.text, 8) as crowd, ThreadPoolExecutor(8) as pool:
        writing = [pool.submit(write, *one) for one in enumerate(crowd)]
        try:
            for _ in range(3):
                come_further()
                before = set(worker_processes(web))
                web.child.signal(signal.SIGHUP)
                wait_until(
                    lambda before=before: not before & set(worker_processes(web)),
                    seconds=30,
                    what="the workers of before to be gone",
                )
            come_further()
        finally:
            end.set()
        for one in writing:
            one.result()
    assert {answer.status for answer in answers} == {201}
    assert Hold.objects.count() == len(answers)
    print(f"{connection.vendor}, over three restarts: {figures([one.seconds for one in answers])}")


@pytest.mark.sqlite
def test_eight_write_and_eight_read_side_by_side(world, tmp_path, size):
    """F20: nobody finds the database locked. The figures mean something on a machine that does nothing else:
    `python -m tests.bench.bench_http` prints them."""
    # A connection for each request: else one worker may have all who write, and nobody to queue with.
    with serving(tmp_path, service_environment(), threads=8, words=ONE_BY_ONE) as web:
        heard = side_by_side(web, world.program.text, world.line(), size(3, 60))
        assert Counter(one.status for one in heard.read) == {200: len(heard.read)}
        assert {one.status for one in heard.written} == {200, 201}
        assert "locked" not in web.child.log.read_text()
    assert Hold.objects.count() == sum(one.status == 201 for one in heard.written)
    assert audit() == []
