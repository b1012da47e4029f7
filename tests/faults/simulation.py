"""Bar L17: programs at work while parts of the service die at random, and a clock that steps.

    python -m tests.faults.simulation [--seed 1] [--seconds 20] [--list]

Four programs send random acts over HTTP, each under a key of its own, and ask again under it until they are
answered. Meanwhile web workers, the Celery worker, the broker and the database are killed and the web's clock
steps by up to an hour. What is done and when follows from the seed alone (`--list` prints it). In the end
everything acknowledged must be there once and nothing else, no task left over, and the books balance. Prints
one JSON object; exit 0 when all of that holds. On a PostgreSQL of its own that flushes every commit.
"""

import argparse
import json
import os
import random
import signal
import sys
import tempfile
import threading
import time
from collections import Counter
from contextlib import ExitStack
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import Any

import django

from tests import environment
from tests.servers.caller import Answer, Caller, NoAnswer
from tests.servers.children import Child, wait_until
from tests.servers.postgres import APP, OWNER, PostgresServer
from tests.servers.valkey import ValkeyServer
from tests.servers.web import WebServer

CLIENTS, PACE_SECONDS, FAULT_SECONDS = 4, 0.4, 2.5
ACTS = (*["hold"] * 4, *["release", "receive", "move"] * 2, "audit")
FAULTS = ("web worker", "celery", "broker", "database", "clock")
# A database that died checks every file it has before it is back: on a busy disk that takes a while.
PATIENCE_SECONDS = 90
SAID_CHARACTERS = 6_000
STEPS_SECONDS = (-3_600, -60, 60, 3_600)


@dataclass(frozen=True, slots=True)
class Step:
    """When it begins, in seconds; who does it, a client's number or -1 for a fault; what; a number of its own
    that its choices follow."""

    at: float
    who: int
    what: str
    number: int


def steps_of(seed: int, seconds: float) -> list[Step]:
    """What happens, in order: the same for the same seed and time."""
    rng = random.Random(seed)
    made = []
    for who in range(CLIENTS):
        at = rng.uniform(0, PACE_SECONDS)
        while at < seconds:
            made.append(Step(round(at, 3), who, rng.choice(ACTS), rng.randrange(10**6)))
            at += rng.expovariate(1 / PACE_SECONDS)
    at = rng.uniform(0.5, FAULT_SECONDS)
    while at < seconds:
        made.append(Step(round(at, 3), -1, rng.choice(FAULTS), rng.randrange(10**6)))
        at += rng.uniform(0.5, 1.5) * FAULT_SECONDS
    return sorted(made, key=astuple)


class Client:
    """One program: what it asked for and was told, act by act."""

    def __init__(self, who: int, port: int, text: str, world: Any) -> None:
        self.who, self.caller, self.world = who, Caller(port, text), world
        self.held: list[dict[str, Any]] = []
        self.told: list[tuple[str, str, Answer | str]] = []
        self.slowest = 0.0

    def work(self, steps: list[Step], began: float) -> None:
        for place, step in enumerate(steps):
            time.sleep(max(0.0, began + step.at - time.monotonic()))
            name = f"client {self.who} act {place}"
            path, body, tag = self.request(step, name)
            asked = time.monotonic()
            try:
                answer = self.caller.insist(
                    "POST", path, body, key=name.replace(" ", "-"), if_match=tag, patience=PATIENCE_SECONDS
                )
            except NoAnswer as error:
                self.told.append((step.what, name, f"{error} until {time.monotonic() - began:.1f} s"))
                continue
            self.slowest = max(self.slowest, time.monotonic() - asked)
            self.told.append((step.what, name, answer))
            if step.what == "hold" and answer.status == 201:
                self.held.append(answer.json() | {"tag": answer.headers["etag"]})

    def request(self, step: Step, name: str) -> tuple[str, dict[str, Any], str]:
        line = self.world.line(("2.575", "2.625")[step.number % 2], quantity=1 + step.number % 3)
        if step.what == "release" and self.held:
            hold = self.held.pop(step.number % len(self.held))
            return f"/holds/{hold['id']}/release", {"note": name}, hold["tag"]
        if step.what == "receive":
            return "/stock/receive", {"document": name, "lines": [line]}, ""
        if step.what == "move":
            other = self.world.line("2.575", quantity=1) | {"bin": self.world.bin("2.700")}
            return "/stock/move", {"source": self.world.bin("2.575"), "note": name, "lines": [other]}, ""
        if step.what == "audit":
            return "/audit", {}, ""
        return "/holds", {"reference": name, "lines": [line]}, ""


class Parts:
    """The service's processes, and how each dies and comes back."""

    def __init__(self, stack: ExitStack, folder: Path, database: PostgresServer) -> None:
        self.folder, self.database = folder, database
        self.longest_without_database = 0.0
        self.broker = ValkeyServer()
        stack.callback(self.broker.remove)
        self.broker.start()
        self.clock = folder / "clock"
        self.set_clock(0)
        # As the service's own role, over its usual pool.
        self.environment = os.environ | {
            "DATABASE_URL": f"{os.environ[environment.APP_URL].rpartition('/')[0]}/simulation",
            "REDIS_URL": self.broker.url,
            "STEPPED_CLOCK": str(self.clock),
            "COLDGAP_TASK_LEASE_SECONDS": "1.5",
            "COLDGAP_PUMP_SECONDS": "0.5",
            "COLDGAP_DATABASE_POOL_SIZE": "8",
        }
        self.web_log, self.celery_log = folder / "web.log", folder / "celery.log"
        self.web = WebServer(
            log=self.web_log, environment=self.environment, application="tests.faults.stepped"
        )
        stack.callback(self.web.child.kill)
        self.web.wait_ready(seconds=120)
        self.celery, self.beat = self._celery("worker", "--concurrency", "2"), self._celery("beat")
        stack.callback(lambda: (self.celery.kill(), self.beat.kill()))
        self.ended_by_themselves, self._at_celery, self._over = 0, threading.Lock(), threading.Event()
        supervisor = threading.Thread(target=self._supervise, name="supervisor")
        supervisor.start()
        stack.callback(lambda: (self._over.set(), supervisor.join()))

    def _supervise(self) -> None:
        """Start again what ended by itself, as whatever runs a service does: a broker that goes away while a
        worker of Celery 5.7 is connecting anew can end that ("Unrecoverable error")."""
        while not self._over.wait(0.5):
            with self._at_celery:
                if not self.celery.running:
                    self.ended_by_themselves += 1
                    self.celery = self._celery("worker", "--concurrency", "2")
                if not self.beat.running:
                    self.ended_by_themselves += 1
                    self.beat = self._celery("beat")

    def _celery(self, *words: str) -> Child:
        schedule = ("--schedule", str(self.folder / "schedule")) if words == ("beat",) else ()
        command = [sys.executable, "-m", "celery", "-A", "shop.celery", *words, *schedule]
        return Child(command, log=self.celery_log, env=self.environment, with_children=True)

    def strike(self, step: Step) -> None:
        if step.what == "web worker":
            master = self.web.child.pid
            workers = Path(f"/proc/{master}/task/{master}/children").read_text().split()
            if workers:
                os.kill(int(workers[step.number % len(workers)]), signal.SIGKILL)
        elif step.what == "celery":
            with self._at_celery:
                self.celery.kill()
                self.celery = self._celery("worker", "--concurrency", "2")
        elif step.what == "broker":
            self.broker.child.kill()
            time.sleep(0.5)
            self.broker.start()
        elif step.what == "database":
            began = time.monotonic()
            self.database.crash()
            self.database.start()
            self.longest_without_database = max(self.longest_without_database, time.monotonic() - began)
        else:
            self.set_clock(STEPS_SECONDS[step.number % len(STEPS_SECONDS)])

    def set_clock(self, off_seconds: int) -> None:
        # In one go: who reads it in the midst of a write would find no number, and answer 500 for it.
        written = self.clock.with_suffix(".next")
        written.write_text(str(off_seconds))
        written.replace(self.clock)

    def said_by_celery(self) -> str:
        """The end of the log of the workers of tasks."""
        return self.celery_log.read_text()[-SAID_CHARACTERS:]

    def said_of(self, answer: Answer) -> str:
        """What the web's log says of a request; the end of the log where it does not name it."""
        log = self.web_log.read_text()
        name = answer.headers.get("x-request-id")
        lines = [line for line in log.splitlines() if name and name in line]
        return " ".join(lines)[:SAID_CHARACTERS] or log[-SAID_CHARACTERS:]


def simulate(seed: int, seconds: float) -> dict[str, Any]:
    """One run; what was found, `wrong` is empty when all is well."""
    steps = steps_of(seed, seconds)
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="coldgap-simulation-")))
        database = PostgresServer(durable=True)
        stack.callback(database.remove)
        database.start()
        os.environ[environment.CHOICE] = "postgresql"
        os.environ[environment.SERVER_URL] = database.url(OWNER)
        os.environ[environment.APP_URL] = database.url(APP)
        environment.prepare()
        environment.make_database("simulation")
        django.setup()
        world = _found()
        parts = Parts(stack, folder, database)
        clients = [Client(who, parts.web.port, world.program.text, world) for who in range(CLIENTS)]
        began = time.monotonic()
        threads = [
            threading.Thread(target=one.work, args=([step for step in steps if step.who == one.who], began))
            for one in clients
        ]
        for thread in threads:
            thread.start()
        for step in steps:
            if step.who < 0:
                time.sleep(max(0.0, began + step.at - time.monotonic()))
                parts.strike(step)
        for thread in threads:
            thread.join()
        return _judge(clients, steps, parts)


def _found() -> Any:
    from django.core.management import call_command  # noqa: PLC0415 - these need django.setup()

    from inventory.services.sites import open_site  # noqa: PLC0415
    from shop.models import Role  # noqa: PLC0415
    from tests.api.program import program  # noqa: PLC0415
    from tests.api.world import make_world  # noqa: PLC0415
    from tests.people import person  # noqa: PLC0415

    call_command("migrate", verbosity=0)
    call_command("grant_app_role", APP, verbosity=0)
    site = open_site(code="north", name="North Yard")
    world = make_world(site, program(person("mara", "Mara Quist", site, Role.MANAGER), site))
    world.shop.stock(("2.575", "new", 500), ("2.625", "new", 50))
    return world


def _judge(clients: list[Client], steps: list[Step], parts: Parts) -> dict[str, Any]:
    from django.db import connection  # noqa: PLC0415

    from inventory.models import Hold, Movement  # noqa: PLC0415
    from inventory.selectors.audit import audit  # noqa: PLC0415
    from shop.models import Task  # noqa: PLC0415

    connection.close()  # the database died under it
    wrong, statuses = [], Counter()
    expected: dict[str, set[str]] = {"hold": set(), "receive": set(), "move": set()}
    for client in clients:
        for what, name, answer in client.told:
            if isinstance(answer, str):
                statuses["none"] += 1
                wrong.append(f"{name}: {what} was never answered: {answer}")
                continue
            statuses[answer.status] += 1
            if answer.status >= 500:
                said = parts.said_of(answer)
                wrong.append(f"{name}: {what} was answered {answer.status} {answer.body!r}: {said}")
            elif answer.status < 300:
                # A release without a hold to release was sent as a hold.
                made = "/api/v1/holds/" in answer.headers.get("location", "")
                expected.get("hold" if made else what, set()).add(name)
    there = {
        "hold": Counter(Hold.objects.exclude(reference="").values_list("reference", flat=True)),
        "receive": Counter(
            Movement.objects.filter(document__startswith="client").values_list("document", flat=True)
        ),
        "move": Counter(Movement.objects.filter(reason="move").values_list("note", flat=True)),
    }
    for what, names in expected.items():
        if there[what] != Counter(names):
            wrong.append(
                f"{what}: {there[what] - Counter(names)} too many, {Counter(names) - there[what]} lost"
            )
    wrong += [str(difference) for difference in audit()]
    open_tasks = Task.objects.filter(state__in=["queued", "running"], kind="audit_books")
    try:
        wait_until(lambda: not open_tasks.exists(), seconds=60, what="the tasks", every=0.2)
    except AssertionError:
        left = [f"{t.pk} {t.state} attempts {t.attempts} {t.__dict__}" for t in open_tasks]
        wrong.append(f"{len(left)} tasks were left over: {left} {parts.said_by_celery()}")
    faults = Counter(step.what for step in steps if step.who < 0)
    return {
        "acts": statuses.total(),
        "answers": statuses,
        "faults": faults,
        "longest without database, s": round(parts.longest_without_database, 1),
        "slowest answer, s": round(max(client.slowest for client in clients), 1),
        "started again by the supervisor": parts.ended_by_themselves,
        "wrong": wrong,
    }


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=20)
    parser.add_argument("--list", action="store_true", help="only print what would happen")
    options = parser.parse_args()
    if options.list:
        for step in steps_of(options.seed, options.seconds):
            print(*astuple(step))
        return 0
    found = simulate(options.seed, options.seconds)
    print(json.dumps(found))
    return 1 if found["wrong"] else 0


if __name__ == "__main__":
    sys.exit(main())
