"""Hostile input x every write: never a 5xx, never in silence, always a problem (bar A11)."""

import json

import pytest
from django.db import connection

from api.fields import MOST_ERRORS
from tests.api.lasting_world import (
    calculator,
    counter,
    manager,
    premises,
    premises_of_the_module,
    site,
    technician,
    world,
)
from tests.api.program import check_problem
from tests.api.world import length
from tests.api.writes import CASES, method_of, operations

__all__ = [
    "calculator",
    "counter",
    "manager",
    "premises",
    "premises_of_the_module",
    "site",
    "technician",
    "world",
]
DEEP = b'{"a":' * 40 + b"1" + b"}" * 40
HOSTILE = {
    "not json": b"{",
    "empty text": b" ",
    "null": b"null",
    "true": b"true",
    "a number": b"12",
    "a text": b'"text"',
    "a list": b"[]",
    "a list of itself": b"[[[[]]]]",
    "trailing comma": b'{"a": 1,}',
    "two values": b"{} {}",
    "a comment": b"{/**/}",
    "single quotes": b"{'a': 1}",
    "a name twice": b'{"note": "a", "note": "b"}',
    "a name twice deep inside": b'{"lines": [{"bin": "a", "bin": "b"}]}',
    "NaN": b'{"quantity": NaN}',
    "Infinity": b'{"quantity": -Infinity}',
    "a float beyond all": b'{"quantity": 1e999}',
    "an integer of 5,000 digits": b'{"quantity": ' + b"9" * 5_000 + b"}",
    "a fraction of 5,000 digits": b'{"quantity": 0.' + b"1" * 5_000 + b"}",
    "NUL escaped": b'{"note": "a\\u0000b"}',
    "NUL raw": b'{"note": "a\x00b"}',
    "NUL in a name": b'{"no\\u0000te": "a"}',
    "a lone surrogate": b'{"note": "\\ud800"}',
    "a surrogate pair the wrong way round": b'{"note": "\\udc00\\ud800"}',
    "not UTF-8": b'{"note": "\xff\xfe"}',
    "UTF-16": '{"note": "a"}'.encode("utf-16"),
    "a byte order mark": b"\xef\xbb\xbf{}",
    "nested 40 deep": DEEP,
    "100,000 brackets": b"[" * 100_000,
    "100,000 braces": b'{"a":' * 100_000,
    "50,000 lists in a list": b"[" + b"[]," * 50_000 + b"[]]",
    "a long name": b'{"' + b"x" * 100_000 + b'": 1}',
    "a long text": b'{"note": "' + b"x" * 500_000 + b'"}',
    "10,000 fields": json.dumps({f"field{n}": n for n in range(10_000)}).encode(),
    "a class": b'{"__proto__": {"admin": true}, "__class__": "x"}',
    "mass assignment": b'{"id": 1, "site_id": 1, "role": "manager", "state": "fitted"}',
}
# These take no JSON: tests/api/test_imports.py has what is hostile to them.
FILES = ("stage_import",)
WRITES = [
    pytest.param(number, declared, id=declared.name)
    for number, declared in enumerate(
        declared
        for method, _, declared in operations()
        if method in ("post", "patch") and declared.name not in FILES
    )
]
# One reader takes every body before the write sees any of it, and before a database is asked: by default each
# write gets every sixth of them, on the other database the next sixth, and likewise a third of what its
# fields cannot be and half of its fields with a value of another type.
EVERY_BODY, EVERY_FIELD, EVERY_LEAF = 6, 3, 2


@pytest.mark.parametrize(("number", "declared"), WRITES)
def test_hostile_bodies_and_fields_are_refused(world, number, declared, size):
    """Then each field of a good body in turn gets what it cannot be, and a text instead of a number and the
    other way round; nested ones too. Nothing of it is done, so that one thing to act on serves for all.
    """
    path, body = ("/plans", plan_body()) if declared.name == "plan" else CASES[declared.name](world)

    def send(sent):
        return world.program.send(method_of(declared), path, sent, if_match="*")

    mine = number + (connection.vendor == "sqlite")
    every = size(EVERY_BODY, 1)
    for name, sent in list(HOSTILE.items())[mine % every :: every]:
        response = send(sent)
        assert response.status_code == 400, (name, response.content[:200])
        check_problem(response)
    every = size(EVERY_FIELD, 1)
    for where, spoilt in list(spoil(body))[mine % every :: every]:
        response = send(spoilt)
        assert response.status_code in (400, 404, 409, 422), (where, spoilt, response.content[:300])
    every = size(EVERY_LEAF, 1)
    for where, value in list(leaves(body))[mine % every :: every]:
        other = str(value) if type(value) is int else 12 if isinstance(value, str) else "true"
        response = send(put(body, where, other))
        assert response.status_code == 400, (where, response.content[:300])
        pointers = [error["pointer"] for error in response.json()["errors"]]
        pointer = "".join(f"/{step}" for step in where)
        assert any(pointer == found or pointer.startswith(found + "/") for found in pointers), pointers


def test_of_many_errors_the_first_hundred_are_listed(world):
    path, body = CASES["enter_vehicle"](world)
    response = world.program.post(path, body | {f"field{n}": n for n in range(10_000)})
    assert response.status_code == 400
    assert len(response.json()["errors"]) == MOST_ERRORS
    assert len(response.content) < 100_000


@pytest.mark.parametrize(
    ("content_type", "status"),
    [
        ("text/plain", 415),
        ("application/xml", 415),
        ("application/x-www-form-urlencoded", 415),
        ("multipart/form-data; boundary=x", 415),
        ("application/json; charset=latin-1", 415),
        ("application/json; charset=UTF-8", 201),
        ("Application/JSON", 201),
        ("application/jsonp", 415),
        ("", 415),
    ],
)
def test_only_json_in_utf_8_is_taken(world, content_type, status):
    path, body = CASES["enter_vehicle"](world)
    response = world.program.post(path, body, content_type=content_type)
    assert response.status_code == status


class TestSize:
    def test_a_body_of_more_than_a_mebibyte_is_413(self, world):
        path, body = CASES["enter_vehicle"](world)
        body["note"] = "x" * (1024 * 1024)
        response = world.program.post(path, body)
        assert response.status_code == 413
        check_problem(response)

    def test_it_is_read_away_in_pieces_and_no_further(self, world):
        """Cut off while it sends, a client would see a broken pipe instead of the refusal."""
        asked = []

        class Sending:
            def read(self, size):
                asked.append(size)
                return b"x" * size

            readline = read

        def send(length):
            return world.program.client.generic(
                "POST",
                "/api/v1/vehicles",
                content_type="application/json",
                **{"wsgi.input": Sending(), "CONTENT_LENGTH": str(length)},
            )

        assert send(10 * 1024 * 1024).status_code == 413
        assert sum(asked) == 10 * 1024 * 1024
        assert max(asked) == 64 * 1024
        asked.clear()
        assert send(10**15).status_code == 413
        assert asked == []

    def test_a_body_of_unknown_length_is_411(self, world):
        response = world.program.client.generic(
            "POST", "/api/v1/vehicles", content_type="application/json", HTTP_TRANSFER_ENCODING="chunked"
        )
        assert response.status_code == 411
        check_problem(response)

    @pytest.mark.parametrize("length", ["-1", "1e3", "x", "9" * 30])
    def test_a_strange_length_is_refused(self, world, length):
        response = world.program.client.generic(
            "POST", "/api/v1/vehicles", content_type="application/json", CONTENT_LENGTH=length
        )
        assert response.status_code in (400, 413)
        check_problem(response)


@pytest.mark.parametrize(
    ("query", "status"),
    [
        ("?family=%00", 400),
        ("?family=a%00b", 400),
        ("?%00=1", 400),
        ("?family=%ff", 400),
        ("?family=%ed%a0%80", 400),  # a lone surrogate, as some encode it
        ("?family=a&family=b", 400),
        ("?unknown=1", 400),
        ("?family=", 400),
        ("?family=" + "x" * 2_000, 400),
        ("?" + "&" * 3_990, 400),
        ("?" + "&" * 90, 200),
        ("?" + "f&" * 9_000, 400),
        ("?limit=NaN", 400),
        ("?limit=-1", 400),
        ("?limit=0", 400),
        ("?limit=1.5", 400),
        ("?limit=%d9%a1", 400),  # a digit of another script
        ("?limit=99999999999999999999", 400),
        ("?limit=200", 200),
        ("?limit=201", 400),
        ("?limit=100000", 400),
        ("?thickness_min=2.6", 400),
        ("?thickness_min=2.6mm", 200),
        ("?thickness_min=0.1043%20in", 200),
        ("?thickness_min=1e3mm", 400),
        ("?condition=broken", 400),
        ("?site=harbour", 404),
        ("?site=nowhere", 404),
        ("?site=north", 200),
        ("?family=' OR 1=1 --", 200),
        ("?family=%25", 200),
    ],
    ids=lambda value: str(value)[:40],
)
def test_queries_are_read_strictly(world, query, status):
    response = world.program.get(f"/stock{query}")
    assert response.status_code == status, response.content


@pytest.mark.parametrize(
    "path",
    [
        "/stock%00",
        "/jobs/%00",
        "/jobs/..%2f..%2fx",
        "/jobs/%ff",
        "/shim-families/%00",
        "/jobs/' OR 1=1",
        "/%2e/",
    ],
)
def test_strange_paths_are_refused(world, path):
    response = world.program.get(path)
    assert response.status_code in (400, 404)
    check_problem(response)


def plan_body():
    reading = {"passes": length("5", "thou"), "stops": length("6", "thou")}
    valve = {
        "label": "1-IN",
        "spec": {"min": length("6", "thou"), "max": length("10", "thou")},
        "aim": length("8", "thou"),
        "adjust": "auto",
        "clearance": reading,
        "shim": {"thickness": length("2.650"), "known_by": "measured"},
    }
    stock = [{"thickness": length("2.575"), "condition": "new", "quantity": 2}]
    return {"stock": stock, "catalogue": [length("2.600")], "lash_ratio": "1", "valves": [valve]}


def leaves(value, where=()):
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from leaves(inner, (*where, name))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from leaves(inner, (*where, index))
    else:
        yield where, value


def branches(value, where=()):
    yield where, value
    if isinstance(value, dict | list):
        for name, inner in value.items() if isinstance(value, dict) else enumerate(value):
            yield from branches(inner, (*where, name))


def put(value, where, new):
    if not where:
        return new
    first, *rest = where
    copy = dict(value) if isinstance(value, dict) else list(value)
    copy[first] = put(copy[first], rest, new)
    return copy


def spoil(body):
    """The body with each value in turn replaced by what it cannot be."""
    for where, value in branches(body):
        if not where:
            continue
        wrong = [[], {}, 1.5, False if not isinstance(value, bool) else "false", [[]], {"a": {}}]
        if not isinstance(value, str):
            wrong += ["", "x"]
        if not isinstance(value, int) or isinstance(value, bool):
            wrong += [0, -1]
        for bad in wrong:
            # An empty list, or an object without members, is a fair value for what is one.
            if type(bad) is not type(value) or (bad and bad != value):
                yield where, put(body, where, bad)
