"""Writes api/examples.json: every operation is asked in an invented shop, and what it answers is kept.

No test of the suite: run `python -m pytest tests/api/make_examples.py` when answers have changed their shape,
then write the document anew (test_document.py says how) and look at the difference.
"""

import contextlib
import json
import re
from dataclasses import dataclass, field

import pytest

from api.document import document
from api.examples import FILE, example_name
from inventory.models import ImportRun
from shop.background.work import work_once
from shop.models import OutboxEvent, Task
from tests.api.cases import CASES
from tests.api.counting import differing, opened
from tests.api.program import Program, operation_at
from tests.api.test_query_counts import fill
from tests.api.world import length
from tests.api.writes import method_of, operations, thing_at, writes
from tests.jobs.shop import AT, HOUR, NEW, USED

MOST_BYTES = 2_600
MOST_OBJECTS, MOST_VALUES = 2, 4
UUID = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")
SECRETS = (
    (re.compile(r"cg_[a-z0-9]{8}_[\w-]+"), "cg_0example_ofakeythatopensnothing"),
    (re.compile(r"cg_[a-z0-9]{8}"), "cg_0example"),
    (re.compile(r"whsec_[A-Za-z0-9+/=]+"), "whsec_c2VjcmV0IG9mIGFuIGV4YW1wbGU="),
    (re.compile(r"http://127\.0\.0\.1:9/"), "https://calculator.example/"),
)


@dataclass
class Recorder(Program):
    """A program that remembers the best answer of each shape: the one that shows most without being long."""

    kept: dict[str, object] = field(default_factory=dict)

    def get(self, path, **headers):
        return self.record("get", path, super().get(path, **headers))

    def send(self, method, path, body=None, **options):
        return self.record(method, path, super().send(method, path, body, **options))

    def record(self, method, path, response):
        operation = operation_at(path.split("?")[0], method)
        if operation is None or response.status_code not in (200, 201, 202):
            return response
        media_type = response["Content-Type"]
        content = operation["responses"][str(response.status_code)]["content"].get(media_type)
        if media_type == "application/json":
            self.keep(example_name(operation, content), short(response.json()))
        elif media_type.startswith("text/"):
            self.keep(example_name(operation, content), text_of(response))
        return response

    def keep(self, name, value):
        if name not in self.kept or worth(value) > worth(self.kept[name]):
            self.kept[name] = value


def short(value, top=True):
    """The answer with its long lists cut: one row of a page, two lines of a thing."""
    if isinstance(value, dict):
        found = {name: short(inner, top=False) for name, inner in value.items()}
        if top and set(value) == {"items", "next_cursor"}:
            rows = [short(row, top=False) for row in value["items"]]
            return {"items": sorted(rows, key=worth)[-1:], "next_cursor": None}
        return found
    if isinstance(value, list):
        most = MOST_OBJECTS if value and isinstance(value[0], dict | list) else MOST_VALUES
        return [short(inner, top=False) for inner in value[:most]]
    return value


def text_of(response):
    """The first lines; of a stream its first event."""
    if not response.streaming:
        text = response.content.decode()
    elif response["Content-Type"] == "text/event-stream":
        chunks = iter(response.streaming_content)
        text = next(chunks).decode()
        while "data:" not in text:
            text += next(chunks).decode()
        response._iterator.close()
        return text
    else:
        text = b"".join(response.streaming_content).decode()
    return "".join(text.splitlines(keepends=True)[:4])


def worth(value):
    size = len(json.dumps(value))
    return size if size <= MOST_BYTES else MOST_BYTES - size


@pytest.mark.django_db(transaction=True)
def test_write_the_examples(world, time_machine, settings):
    time_machine.move_to(AT + HOUR, tick=False)
    settings.COLDGAP = settings.COLDGAP | {"STREAM_SECONDS": 5}
    program = world.program = Recorder(world.program.text)
    # Before there is a site that the program does not manage.
    program.done("/audit")
    work_once()
    program.get("/audit")
    world.shop.stock(("2.575", NEW, 60), ("2.600", USED, 60), ("2.625", NEW, 40))
    for _, declared in writes():
        # Each case wants a shop of its own; where one is in another's way the fill below shows its answer.
        with contextlib.suppress(AssertionError):
            path, body = CASES[declared.name](world)
            options = {}
            if declared.needs_if_match:
                options["if_match"] = program.get(thing_at(declared, path))["ETag"]
            program.send(method_of(declared), path, body, **options)
    fill(world, 1)
    work_once()
    reads(world, program)
    write(program.kept)


def reads(world, program):
    """Every list, everything that stands in one, and what has an address of another kind."""
    gets = [(route, declared) for method, route, declared in operations() if method == "get"]
    things = {}
    for route, declared in gets:
        if declared.kind == "list" and "<" not in route:
            things[route] = program.get(f"{route}?limit=200").json()["items"]
    for route, declared in gets:
        base, _, rest = route.partition("/<")
        if declared.kind != "show" or not rest or base not in things:
            continue
        for item in things[base][:6]:
            name = item.get("id") or item.get("code") or item.get("currency")
            program.get(f"{base}/{name}/{rest.partition('/')[2]}".rstrip("/"))
    family = f"family={world.family}"
    vehicle = things["/vehicles"][0]["id"]
    job = world.read()
    run = ImportRun.objects.exclude(rows=0).first()
    task = Task.objects.filter(site=world.site, state=Task.State.DONE).first()
    opened(world, "2.600")
    differing(world)
    for path in (
        f"/checks-before-opening?vehicle={vehicle}",
        "/me",
        f"/put-away-proposals?{family}&thickness=2.600mm&quantity=2",
        f"/transfer-targets?site={world.site.code}",
        "/counts/due",
        "/counts/variance",
        f"{job}/alternatives",
        f"{job}/measure-next",
        f"/buying-insight?{family}&thickness=2.700mm",
        f"/imports/{run.pk}/rows",
        "/exports/stock?format=csv",
        "/stock/file",
        "/history/file",
        "/history/by-person/file",
        f"/bins/{world.shop.bin('2.600').pk}/history/file",
        f"{job}/history/file",
        f"/shim-families/{world.family}/history/file",
        "/journeys/file",
        f"{world.sent()}/order?format=csv",
        f"/tasks/{task.pk}",
        f"/tasks/{task.pk}/events",
    ):
        answer = program.get(path)
        assert answer.status_code == 200, (path, answer)
    spec = {"min": length("0.20"), "max": length("0.30")}
    valves = [
        {
            "label": label,
            "spec": spec,
            "clearance": {"passes": length(passes)},
            "shim": {"thickness": length(shim), "known_by": "measured"},
        }
        for label, passes, shim in (("1-IN", "0.12", "2.675"), ("1-EX", "0.33", "2.550"))
    ]
    body = {"site": world.site.code, "family": world.family, "valves": valves}
    assert program.post("/plans", body, key=False).status_code == 200
    first = OutboxEvent.objects.filter(site=world.site).order_by("pk").first()
    program.get(f"/sites/{world.site.code}/events", **{"Last-Event-ID": str(first.pk)})


def write(kept):
    """One line for each, ids and secrets replaced, so that two runs differ in little."""
    whole = document()
    kept["Document"] = {"openapi": whole["openapi"], "info": whole["info"], "paths": {}, "components": {}}
    lines = (f"{json.dumps(name)}: {json.dumps(kept[name], ensure_ascii=False)}" for name in sorted(kept))
    text = "{\n" + ",\n".join(lines) + "\n}\n"
    for pattern, instead in SECRETS:
        text = pattern.sub(instead, text)
    numbers = {}

    def plain(found):
        return numbers.setdefault(found[0], f"0195ccab-1f80-7000-8000-{len(numbers):012x}")

    FILE.write_text(UUID.sub(plain, text), encoding="utf-8")
