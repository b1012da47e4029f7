"""One serializer of a kind for all requests and threads sends and takes what one made for each would."""

import ast
import inspect
import json
import sys
import textwrap
import uuid
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from threading import Barrier

import pytest
from rest_framework.exceptions import ValidationError
from rest_framework.fields import Field, empty
from rest_framework.serializers import BaseSerializer, DictField, ListField, ListSerializer

from api.fields import Body, Several, Text
from api.hold_shapes import HoldSerializer
from api.holds import HoldShimsSerializer
from api.shapes import _one, sent, sent_all, taken
from inventory.models import Hold, HoldLine, Place, ShimFamily
from shop.models import Site
from tests.api.test_hostile_input import spoil
from tests.api.writes import operations

THREADS, KINDS, ROUNDS = 8, 12, 30
WRITES = [pytest.param(one, id=one.name) for _, _, one in operations() if one.body]
# Whose example has an address that would be looked up.
LOOKED_UP = ("add_webhook",)
EVERY = 5
WRONG = (None, [], {}, [[]], [{}], {"a": {}}, 1.5, False, "", "x" * 5_000, 0, -1, 10**30, {"value": "x"})
WHOLES = (*WRONG, [None], "text", {"b": 1, "a": [2]}, {f"field{n}": n for n in range(150)})
# What the framework made anew for each request and now lasts: to read it is to read another request's.
OF_ONE_REQUEST = {"initial_data", "instance", "context", "_context", "root", "partial", "validated_data"}


@pytest.fixture
def switching():
    """Threads take turns as often as they can."""
    usual = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    yield
    sys.setswitchinterval(usual)


def body_of(number):
    lines = [
        {
            "bin": f"B{number}-{n}",
            "family": f"f{number}",
            "thickness": {"value": f"2.{number:03}", "unit": "mm"},
            "condition": "used" if n % 2 else "new",
            # Every fifth is wrong, each in a place and by a number of its own.
            "quantity": -number if number % 5 == 0 and n == number % 4 else number * 10 + n,
        }
        for n in range(1 + number % 6)
    ]
    return {"reference": f"order {number}", "lines": lines, "note": f"note {number}"}


def hold_of(number):
    at = datetime(2026, 3, 2, tzinfo=UTC) + timedelta(minutes=number)
    place = Place(code=f"B{number}")
    hold = Hold(
        id=uuid.UUID(int=number),
        site=Site(code=f"site{number}"),
        reference=f"order {number}",
        created_at=at,
        created_by=f"person {number}",
        expires_at=at,
    )
    lines = [
        HoldLine(
            position=n,
            taken_from=place,
            place=place,
            family=ShimFamily(code=f"f{number}"),
            thickness_nm=2_000_000 + number * 1_000,
            condition="new",
            quantity=number * 10 + n,
            label=f"{number}-{n}",
        )
        for n in range(number % 6)
    ]
    hold._prefetched_objects_cache = {"lines": lines}
    return hold


def outcome(take, shape, data):
    """What was taken, or what is wrong with it, with the codes and in the order of the fields."""
    try:
        return repr(take(shape, data))
    except ValidationError as wrong:
        return type(wrong.detail) is list, json.dumps(wrong.get_full_details())


def taken_anew(shape, data):
    made = shape(data=data)
    made.is_valid(raise_exception=True)
    return made.validated_data


def mixed_up(shape, bodies):
    """How many of the bodies were taken as something else while others were as well."""
    alone = [outcome(taken_anew, shape, body) for body in bodies]
    # So that several are the first to need it.
    _one.cache_clear()
    start = Barrier(THREADS)

    def work(thread):
        mine = range(thread, len(bodies), THREADS)
        start.wait(10)
        return sum(outcome(taken, shape, bodies[n]) != alone[n] for _ in range(ROUNDS) for n in mine)

    with ThreadPoolExecutor(THREADS) as pool:
        return sum(pool.map(work, range(THREADS)))


def test_threads_do_not_take_each_others_bodies(switching):
    assert mixed_up(HoldShimsSerializer, [body_of(n) for n in range(1, 1 + THREADS * KINDS)]) == 0


class Keeping(Body):
    """As none may be."""

    reference = Text(most=80)
    note = Text(most=80)
    lines = Several(child=Text(most=20), most=10)

    def to_internal_value(self, data):
        self.reference = data["reference"]
        return super().to_internal_value(data) | {"reference": self.reference}


def test_one_that_keeps_something_would_be_noticed(switching):
    bodies = [{"reference": f"order {n}", "note": "a", "lines": ["b"] * 10} for n in range(THREADS * KINDS)]
    assert mixed_up(Keeping, bodies)


def test_threads_do_not_send_each_others_things(switching):
    holds = [hold_of(n) for n in range(THREADS * KINDS)]
    alone = [json.dumps(HoldSerializer(hold).data, default=str) for hold in holds]
    _one.cache_clear()
    start = Barrier(THREADS)

    def work(thread):
        mine = range(thread, len(holds), THREADS)
        start.wait(10)
        for _ in range(ROUNDS):
            assert [json.dumps(sent(HoldSerializer, holds[n]), default=str) for n in mine] == [
                alone[n] for n in mine
            ]
            many = sent_all(HoldSerializer, (holds[n] for n in mine))
            assert [json.dumps(one, default=str) for one in many] == [alone[n] for n in mine]

    with ThreadPoolExecutor(THREADS) as pool:
        list(pool.map(work, range(THREADS)))
    assert "B95" in alone[95]
    assert '"quantity": 955' not in alone[95]


def spoilt(field, number):
    """A body with each of its fields as it cannot be, the fields of its lists' objects too."""
    if isinstance(field, BaseSerializer) and not isinstance(field, ListSerializer):
        return {name: spoilt(one, number + place) for place, (name, one) in enumerate(field.fields.items())}
    child = getattr(field, "child", None)
    if child is not None and number % 3:
        inside = [spoilt(child, number), spoilt(child, number + 1)]
        return {"a": inside[0], "b": inside[1]} if isinstance(field, DictField) else inside
    return WRONG[number % len(WRONG)]


@pytest.mark.parametrize("declared", WRITES)
def test_what_is_wrong_is_told_as_by_one_made_for_it(declared, size):
    shape, example = declared.body, {} if declared.name in LOOKED_UP else declared.example or {}
    anew = shape()
    bodies = [*WHOLES, *(spoilt(anew, number) for number in range(len(WRONG))), example]
    bodies += [body for _, body in spoil(example)][:: size(EVERY, 1)]
    told = [outcome(taken_anew, shape, body) for body in bodies]
    assert [outcome(taken, shape, body) for body in bodies] == told
    # In the other order, and after all of the others.
    assert [outcome(taken, shape, body) for body in reversed(bodies)] == told[::-1]
    assert outcome(taken, shape, None)[1] == json.dumps(
        {"non_field_errors": [{"message": "No data provided", "code": "null"}]}
    )


def below(kind):
    for one in kind.__subclasses__():
        yield one
        yield from below(one)


def fields_below(field):
    yield field
    inside = field.fields.values() if hasattr(field, "fields") else filter(None, [getattr(field, "child", 0)])
    for one in inside:
        yield from fields_below(one)


def test_no_field_gives_out_a_default_that_could_be_changed():
    """The one list would be every request's."""
    bodies = {one.body for _, _, one in operations() if one.body}
    fields = [field for shape in bodies for field in fields_below(shape())]
    assert any(isinstance(field, ListField) for field in fields)
    fair = (str, bool, int, type(None))
    assert [f for f in fields if f.default is not empty and not isinstance(f.default, fair)] == []


def kept_or_read(kind):
    """Where a serializer or field keeps something after it was made, or reads what is of one request."""
    (tree,) = ast.parse(textwrap.dedent(inspect.getsource(kind))).body
    for method in tree.body:
        if not isinstance(method, ast.FunctionDef) or method.name == "__init__":
            continue
        for node in ast.walk(method):
            own = isinstance(node, ast.Attribute) and getattr(node.value, "id", "") == "self"
            if own and (isinstance(node.ctx, ast.Store) or node.attr in OF_ONE_REQUEST):
                yield f"{kind.__module__}.{kind.__name__}.{method.name}: self.{node.attr}"


def test_no_serializer_keeps_anything_or_reads_what_is_of_one_request():
    ours = {kind for kind in below(Field) if kind.__module__.startswith("api.")}
    assert {HoldSerializer, HoldShimsSerializer, Text} <= ours
    assert [found for kind in ours for found in kept_or_read(kind)] == []
    assert list(kept_or_read(Keeping))
