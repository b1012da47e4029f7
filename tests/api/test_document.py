"""The document: valid, complete, stable, the same as the stored one (bar A9)."""

import json
import os
import re
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from difflib import unified_diff
from functools import cache
from itertools import islice
from pathlib import Path

import openapi_spec_validator
import pytest
import yaml
from django.urls import URLPattern, URLResolver, get_resolver
from jsonschema import Draft202012Validator
from referencing import Registry, Resource
from referencing.jsonschema import DRAFT202012

import api.document
from api.document import document
from api.examples import FILE, SUCCESSES, examples
from api.operations import operation_of
from api.sites import Me
from api.views import ApiView
from tests.api.program import validator
from tests.api.writes import addresses, operations

ROOT = Path(__file__).resolve().parents[2]
GOLDEN = ROOT / "tests" / "golden" / "openapi.yaml"
MAKE = "manage.py spectacular --validate --fail-on-warn --file tests/golden/openapi.yaml"


def generated(tmp_path, **environment):
    """The document as the command makes it, in a process of its own; it needs no database.

    As JSON and unchecked: to write YAML took most of the time, and the stored one is checked below.
    """
    file = tmp_path / "openapi.json"
    words = ["spectacular", "--fail-on-warn", "--format", "openapi-json", "--file", str(file)]
    command = [sys.executable, "manage.py", *words]
    done = subprocess.run(
        command,
        cwd=ROOT,
        env=os.environ | environment,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "Warning" not in done.stderr
    return json.loads(file.read_text())


def test_is_the_stored_one_without_a_database_and_whatever_the_hash_seed(tmp_path):
    """A change of the contract shows in review. When it is meant: run the command in MAKE."""
    nowhere = "postgresql://nobody@127.0.0.1:1/nothing"
    first = generated(tmp_path, PYTHONHASHSEED="1", DATABASE_URL=nowhere)
    # With the order of everything. Of so long a text pytest itself takes minutes to show what differs.
    kept, made = (json.dumps(one, indent=1).splitlines() for one in (stored(), first))
    changed = kept != made
    assert not changed, f"the document changed; if that is meant: python {MAKE}\n" + "\n".join(
        islice(unified_diff(kept, made, "stored", "made", n=1), 60)
    )


@cache
def stored():
    return yaml.load(GOLDEN.read_text(), yaml.CSafeLoader)


def test_is_valid_openapi_3_1():
    assert stored()["openapi"] == "3.1.0"
    openapi_spec_validator.validate(stored())


def test_is_served_as_it_is_stored(calculator):
    assert calculator.get("/openapi.json").json() == stored()


def test_is_made_once_however_many_ask_first():
    api.document._document.cache_clear()
    with ThreadPoolExecutor(4) as pool:
        made = list(pool.map(lambda _: document(), range(4)))
    assert len({id(one) for one in made}) == 1


def template(route):
    return f"/api/v1{route}".replace("<uuid:", "{").replace("<slug:", "{").replace(">", "}")


def test_has_every_operation_and_no_other():
    here = {(template(route), method): declared.name for method, route, declared in operations()}
    described = {
        (path, method): operation["operationId"]
        for path, methods in document()["paths"].items()
        for method, operation in methods.items()
    }
    assert described == here


def test_every_operation_has_its_scopes_errors_headers_and_example():
    for path, methods in document()["paths"].items():
        for method, operation in methods.items():
            responses = operation["responses"]
            assert operation["summary"]
            assert "scopes" in operation["description"]
            assert {"400", "401", "403", "406", "429", "500", "503"} <= set(responses)
            assert ("404" in responses) or "{" not in path
            good = responses[next(status for status in ("200", "201", "202") if status in responses)]
            assert {"RateLimit", "RateLimit-Policy", "X-Request-ID"} <= set(good["headers"])
            parameters = {parameter["name"] for parameter in operation.get("parameters", ())}
            if method in ("post", "patch"):
                (media,) = operation["requestBody"]["content"].values()
                assert "examples" in media or not _has_fields(media)
                if path != "/api/v1/plans":
                    assert "Idempotency-Key" in parameters
                    assert {"409", "422"} <= set(responses)
                assert ("If-Match" in parameters) == ("428" in responses) == ("{" in path)


def _has_fields(media):
    name = media["schema"].get("$ref", "").rpartition("/")[2]
    return bool(document()["components"]["schemas"].get(name, {}).get("properties"))


def test_every_example_is_what_the_document_asks_for():
    for methods in document()["paths"].values():
        for operation in methods.values():
            for media in operation.get("requestBody", {}).get("content", {}).values():
                for example in media.get("examples", {}).values():
                    validator(media["schema"]).validate(example["value"])


def test_every_operation_shows_an_answer_as_the_document_has_it():
    shown, silent = set(), []
    for path, methods in document()["paths"].items():
        for method, operation in methods.items():
            good = next(operation["responses"][code] for code in SUCCESSES if code in operation["responses"])
            contents = good.get("content", {})
            # Of a PDF there is nothing that a document could show.
            answered = list(contents) == ["application/pdf"]
            for media in contents.values():
                for example in media.get("examples", {}).values():
                    name = example["$ref"].removeprefix("#/components/examples/")
                    shown.add(name)
                    value = document()["components"]["examples"][name]["value"]
                    strictly(media["schema"]).validate(value)
                    answered = True
            if not answered:
                silent.append((method, path))
    assert silent == [], "run: python -m pytest tests/api/make_examples.py"
    assert set(examples()) == shown


def strictly(schema):
    """A validator to which a field that the document does not name is wrong."""
    text = json.dumps(schema).replace('"#/components/', '"urn:strict#/components/')
    return Draft202012Validator(json.loads(text), registry=closed())


@cache
def closed():
    """The document with no room beside the fields that it names."""
    whole = json.loads(json.dumps(document()))
    for one in whole["components"]["schemas"].values():
        if "properties" in one:
            one["additionalProperties"] = False
    return Registry().with_resource("urn:strict", Resource(contents=whole, specification=DRAFT202012))


def test_examples_tell_no_secret_and_no_machine():
    text = FILE.read_text()
    assert set(re.findall(r"cg_\w+", text)) <= {"cg_0example", "cg_0example_ofakeythatopensnothing"}
    assert set(re.findall(r"whsec_\S+?(?=\")", text)) <= {"whsec_c2VjcmV0IG9mIGFuIGV4YW1wbGU="}
    assert "127.0.0.1" not in text
    assert "localhost" not in text


def test_nothing_has_a_name_that_the_generator_made_up():
    for name in document()["components"]["schemas"]:
        assert "Enum" not in name
        assert name.isidentifier()


def test_no_number_in_it_is_a_float():
    assert '"type": "number"' not in json.dumps(document())


class TestClosedByDefault:
    def test_every_view_under_v1_declares_each_of_its_methods(self):
        for _, view in addresses():
            assert issubclass(view, ApiView)
            handlers = [getattr(view, name) for name in ("get", "post", "patch") if hasattr(view, name)]
            assert handlers
            assert all(operation_of(handler) is not None for handler in handlers)

    def test_a_method_that_declares_nothing_is_refused_to_everybody(self, calculator, monkeypatch):
        def undeclared(self, request):
            raise AssertionError("it ran")

        monkeypatch.setattr(Me, "get", undeclared)
        assert (
            calculator.client.get(
                "/api/v1/me", headers={"Authorization": f"Bearer {calculator.text}"}
            ).status_code
            == 403
        )

    def test_what_is_public_is_this_list(self):
        public = {
            str(pattern.pattern)
            for pattern in _patterns(get_resolver())
            if getattr(pattern.callback, "login_required", True) is False
            and not issubclass(getattr(pattern.callback, "cls", object), ApiView)
        }
        assert {entry for entry in public if entry.startswith(("v1", "problems", "docs"))} == {
            "problems",
            "problems/<slug:code>",
        }


def _patterns(resolver):
    for entry in resolver.url_patterns:
        if isinstance(entry, URLResolver):
            yield from _patterns(entry)
        elif isinstance(entry, URLPattern):
            yield entry


@pytest.mark.usefixtures("db")
def test_the_page_of_the_document_is_for_people_who_are_logged_in(client, manager):
    assert client.get("/api/docs").status_code == 302
    client.force_login(manager)
    page = client.get("/api/docs").content.decode()
    assert "<script>" not in page
    assert "<style" not in page
    assert "http" not in page.replace("http-equiv", "")


def test_an_hour_of_the_day_is_no_rfc_3339_time():
    """That has an offset, which an hour on a shop's wall has not; found by Schemathesis beside the demo."""
    assert '"format": "time"' not in json.dumps(document())
    shape = document()["components"]["schemas"]["Supplier"]["properties"]["cut_off"]
    for hour, good in (("15:00:00", True), ("14:30", True), (None, True), ("24:00", False), ("9:00", False)):
        assert Draft202012Validator(shape).is_valid(hour) == good, hour


def test_a_stream_is_described_for_readers_of_events_and_of_text():
    for path in ("/api/v1/tasks/{id}/events", "/api/v1/sites/{code}/events"):
        shape = document()["paths"][path]["get"]["responses"]["200"]["content"]["text/event-stream"]["schema"]
        for told in ("retry: 2000\n\n", {"id": "1", "event": "task", "data": "{}"}):
            assert Draft202012Validator(shape).is_valid(told)
