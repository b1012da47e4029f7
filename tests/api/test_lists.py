"""Every list of the API, found in the resolver: whole in every order, filtered as it says, of some fields."""

from datetime import datetime
from urllib.parse import quote

import pytest
from django.conf import settings
from django.db import connection
from django.test import override_settings
from django.utils import timezone

from api.listing import FIELDS, ORDERING
from inventory.models import Need, PurchaseList, StockMinimum
from shop.models import Role
from tests.api.buying_writes import set_part_prices, set_rate, set_stock_minimum
from tests.api.list_filters import OTHER_QUESTIONS, filter_of, nm
from tests.api.program import program
from tests.api.table_writes import judged
from tests.api.test_pages_of_lists import walk
from tests.api.test_query_counts import fill
from tests.api.world import make_world
from tests.api.writes import addresses, given_up, operations
from tests.lasting import made_once
from tests.people import north_yard, person

LISTS = {route: declared for _, route, declared in operations() if declared.kind == "list"}
# Rows of so many fields are more than most readers want.
WIDE = 10
# When what a row tells of was done or begun.
MOMENTS = {"at", "created_at", "opened_at", "sent_at", "asked_at"}
# Lists of things that stand until somebody ends them, of which a shop has a handful.
FEW = {"/keys", "/webhooks"}
PAGING = {"cursor", "limit", ORDERING, FIELDS}


@pytest.fixture(scope="module")
def filled_once(django_db_setup, django_db_blocker):
    with made_once(django_db_blocker, fill_every_list) as made:
        yield made


@pytest.fixture
def filled(filled_once, db):
    """A program that sees something in every list, and the address of each list."""
    return filled_once


def fill_every_list():
    site = north_yard()
    world = make_world(site, program(person("mara", "Mara Quist", site, Role.MANAGER), site))
    with override_settings(COLDGAP=settings.COLDGAP | {"WEBHOOK_ALLOW_PRIVATE": ["127.0.0.0/8"]}):
        return fill_lists(world)


def fill_lists(world):
    fill(world, 2)
    given_up(world)
    held = world.held()
    for _ in range(2):
        world.program.done(*set_stock_minimum(world))
    # What only time, a supplier or a busy shop writes.
    now = timezone.now()
    StockMinimum.objects.filter(pk=StockMinimum.objects.first().pk).update(low_since=now)
    Need.objects.filter(pk=Need.objects.first().pk).update(needed_by=now)
    world.program.act(f"{world.job()}/promise", {"promised_at": "2030-06-01T08:00:00Z"})
    world.program.done(f"{world.job()}/stop", {"note": "sold"})
    for _ in range(2):
        world.program.act(*set_part_prices(world))
        world.program.done(*set_rate(world))
    world.draft()
    PurchaseList.objects.filter(pk=PurchaseList.objects.first().pk).update(reference="R 7")
    world.program.done("/purchase-choices", {})
    key = world.program.get("/keys").json()["items"][0]
    world.program.done(f"/keys/{key['id']}/revoke")
    run = judged(world, f"{world.bin('2.600')},{world.family},2.600,used,6", "Z9,disc29,2.575,new,1")
    things = {
        "/imports/<uuid:id>": run,
        "/bins/<uuid:id>": f"/bins/{world.shop.bin('2.575').pk}",
        "/jobs/<uuid:id>": held,
        "/shim-families/<slug:code>": f"/shim-families/{world.family}",
    }
    return world.program, {route: address_of(route, things) for route in LISTS}


def address_of(route, things):
    base, below, rest = route.partition(">")
    return things[base + below] + rest if below else route


def parameters(declared, name):
    """The words that a list's parameter takes."""
    return [word for one in declared.query if one.name == name for word in one.schema.get("enum", ())]


def everything(program, path):
    page = program.get(path + ("&" if "?" in path else "?") + "limit=200").json()
    assert page["next_cursor"] is None, "a walk of pages of 200 would be needed"
    return page["items"]


def key_of(value):
    """Something that is ordered as the value is; None for what only the database orders."""
    if isinstance(value, dict):
        return nm(value)
    if isinstance(value, str):
        try:
            return datetime.fromisoformat(value).timestamp()
        except ValueError:
            return value if connection.vendor == "sqlite" else None  # the other goes by a language's order
    return value


@pytest.fixture
def pages_of(size):
    """`pages_of(rows, least)`: how many rows to a page. By default long lists have four pages, or five."""
    return lambda rows, least: size(max(least, len(rows) // 4), least)


def test_every_list_is_whole_under_every_order(filled, pages_of, size):
    """Bar A7: in pages of 3 and more, no row twice and none lost. By default an order is walked in pages one
    way round and the next one the other way, both on one page; with --long both in pages.
    """
    program, addresses = filled
    for route, declared in LISTS.items():
        path = addresses[route]
        whole = everything(program, path)
        assert whole or route in ("/stale",), route
        few = pages_of(whole, 3)
        assert walk(program, path, few) == whole, route
        asked_for = {order: f"{path}?{ORDERING}={order}" for order in parameters(declared, ORDERING)}
        ordered = {order: everything(program, asked) for order, asked in asked_for.items()}
        names = list(dict.fromkeys(order.removeprefix("-") for order in asked_for))
        for order, asked in asked_for.items():
            rows = ordered[order]
            backwards = names.index(order.removeprefix("-")) % 2 == 1
            if size(order.startswith("-") == backwards, True):
                assert walk(program, asked, few) == rows, asked
            assert sorted(map(repr, rows)) == sorted(map(repr, whole)), asked
            name = order.removeprefix("-")
            if all(row.get(name) is not None and key_of(row[name]) is not None for row in rows):
                keys = [key_of(row[name]) for row in rows]
                assert keys == sorted(keys, reverse=order.startswith("-")), asked
            if order.startswith("-"):
                assert rows == ordered[name][::-1], asked


def test_every_filter_keeps_what_it_says_and_nothing_else(filled, pages_of, size):
    """Held against the unfiltered list, filtered in Python; in pages of 2 and more too. By default two values
    of each, one of them in pages; with --long three.
    """
    program, addresses = filled
    idle = set()
    for route, declared in LISTS.items():
        path = addresses[route]
        whole = everything(program, path)
        for name in (one.name for one in declared.query if one.name not in PAGING):
            if (route, name) in OTHER_QUESTIONS:
                continue
            said = filter_of(route, name)
            values = sorted(said.values(whole), key=str)[: size(2, 3)] if whole else []
            for number, value in enumerate(values):
                asked = f"{path}?{name}={quote(str(value))}"
                expected = [item for item in whole if said.keeps(item, value)]
                assert everything(program, asked) == expected, asked
                if size(number == 0, True):
                    assert walk(program, asked, pages_of(expected, 2)) == expected, asked
            if not values:
                idle.add((route, name))
    # What nothing in this small shop has a value for.
    assert idle <= {
        ("/stale", "site"),
        ("/stale", "place_kind"),
        ("/stale", "family"),
        ("/inspections", "fate"),
    }, idle


def test_every_list_has_what_its_neighbours_have():
    """An order that its reader may ask for, and where its rows are wide, fields and dates to choose by."""
    lacking, views = set(), dict(addresses())
    for route, declared in LISTS.items():
        names = {one.name for one in declared.query}
        shape = declared.answer or views[route].answer
        if ORDERING not in names:
            lacking.add((route, ORDERING))
        if len(shape._declared_fields) >= WIDE and FIELDS not in names:
            lacking.add((route, FIELDS))
        if set(shape._declared_fields) & MOMENTS and not {"from", "to"} <= names:
            lacking.add((route, "from, to"))
    assert lacking == {(route, "from, to") for route in FEW}


def test_bins_out_of_use_are_another_list(filled):
    program, _ = filled
    in_use = everything(program, "/bins")
    assert everything(program, "/bins?state=in_use") == in_use
    retired = everything(program, "/bins?state=retired")
    assert all(item["retired_at"] is None for item in in_use)
    assert all(item["retired_at"] is not None for item in retired)


def test_some_fields_of_a_row_are_those_of_the_whole_row(filled, pages_of):
    program, addresses = filled
    for route, declared in LISTS.items():
        if FIELDS not in {one.name for one in declared.query}:
            continue
        path = addresses[route]
        whole = everything(program, path)
        names = list(whole[0])
        for asked in (names[:1], names[1:4], names[::-1]):
            rows = walk(program, f"{path}?{FIELDS}={','.join(asked)}", pages_of(whole, 3))
            assert rows == [{name: row[name] for name in names if name in asked} for row in whole], route
        refused = program.get(f"{path}?{FIELDS}={names[0]},secret")
        assert refused.status_code == 400
        (error,) = refused.json()["errors"]
        assert error["pointer"] == "?fields"
        assert all(name in error["detail"] for name in (*names, "secret")), error


def test_what_is_no_order_and_no_filter_is_refused_with_those_that_are(filled):
    program, addresses = filled
    for route, declared in LISTS.items():
        names = [one.name for one in declared.query]
        refused = program.get(f"{addresses[route]}?colour=red&ordering=colour")
        assert refused.status_code == 400
        said = {error["pointer"]: error["detail"] for error in refused.json()["errors"]}
        assert all(name in said["?colour"] for name in names), route
        assert all(word in said["?ordering"] for word in parameters(declared, ORDERING)), route


def test_a_cursor_goes_with_its_order_and_with_any_fields(filled):
    program, _ = filled
    cursor = program.get("/holds?ordering=created_at&limit=1").json()["next_cursor"]
    rows = program.get(f"/holds?ordering=created_at&fields=id&limit=5&cursor={cursor}").json()["items"]
    assert [list(row) for row in rows] == [["id"]] * len(rows)
    for other in ("", "ordering=-created_at&", "ordering=reference&"):
        refused = program.get(f"/holds?{other}cursor={cursor}")
        assert refused.status_code == 400
        assert refused.json()["type"] == "/api/problems/bad-cursor"
