"""Two sites on one service: not a word of the other's reaches anybody (bar S1)."""

import re

import pypdfium2
import pytest
from django.conf import settings as project_settings
from django.test import override_settings

from api.imports import TABLE_KINDS
from inventory.services.sites import open_site
from shop.actor import service_actor
from shop.models import Role
from tests.api.buying_writes import claimed, set_stock_minimum
from tests.api.counting import opened
from tests.api.floor_writes import return_to_supplier, send_shims
from tests.api.lasting_world import LOOPBACK, copy_of
from tests.api.program import program
from tests.api.table_writes import stage_import
from tests.api.test_history_files import rows_of
from tests.api.world import World, make_world
from tests.api.writes import given_up, inspect_shim, operations
from tests.jobs.shop import NEW, USED, Workshop
from tests.lasting import made_once
from tests.people import north_yard, person

# Every list and every thing of a site; what is not here is shared by all (the catalogue) or about the asker.
LISTS = (
    "imports",
    "bins",
    "stock",
    "movements",
    "holds",
    "counts",
    "history",
    "history/by-person",
    "journeys",
    "stale",
    "vehicles",
    "jobs",
    "needs",
    "purchase-lists",
    "shop-plans",
    "purchase-choices",
    "stock-minimums",
    "stock-mix",
    "keys",
    "audit-trail",
    "webhooks",
    "webhook-deliveries",
    "inspections",
    "supplier-returns",
    "receipts",
    "supplier-claims",
    "transfers",
)
# Lists whose rows are not things with an address of their own.
WITHOUT_ID = ("stock", "needs", "history", "history/by-person", "journeys", "stale", "stock-mix")
SHARED = (
    "shim-families",
    "engine-types",
    "suppliers",
    "part-prices",
    "exchange-rates",
    "me",
    "sites",
    "openapi.json",
)
# Files of a site, and of one thing of a site: what these tables and papers hold is asked for below.
FILES = ("stock/file", "history/file", "history/by-person/file", "journeys/file", "labels")
FILES_OF_A_THING = (
    "bins/<>/history/file",
    "bins/<>/pack-label",
    "jobs/<>/history/file",
    "purchase-lists/<>/order",
)
# The families are shared, what happened to their shims at a site is not; tables hold both.
FILES_OF_WHAT_IS_SHARED = ("shim-families/<>/history/file", "exports/<>")
SHARED_TABLES = {"families", "engine-types", "prices"}


def make_both():
    """The same kind of shop at both sites, with a job in each state that shows anything.

    And what the files of the first held before the other one was there.
    """
    site, other = north_yard(), open_site(code="harbour", name="Harbour Street")
    world = make_world(site, program(person("mara", "Mara Quist", site, Role.MANAGER), site))
    with override_settings(COLDGAP=project_settings.COLDGAP | LOOPBACK):
        fill(world)
        alone = files_of(world)
        there = Workshop(site=other, tech=service_actor(), family=world.shop.family, engine=world.shop.engine)
        there.bin("2.700")
        there.stock(("2.575", NEW, 3), ("2.600", USED, 2))
        there.bin("3.000")
        theirs = World(shop=there, program=program(person("odo", "Odo Brandt", other, Role.MANAGER), other))
        fill(theirs)
    return world, theirs, alone


def fill(shop):
    """A day at work."""
    shop.hold()
    opened(shop, "2.600")
    shop.need()
    claimed(shop)
    shop.program.done("/purchase-choices", {})
    shop.measured_again()
    given_up(shop)
    for case in (inspect_shim, return_to_supplier, send_shims):
        shop.program.done(*case(shop))
    shop.coming()
    shop.shop_plan()
    shop.program.done(*set_stock_minimum(shop))
    shop.program.done(*stage_import(shop))


@pytest.fixture(scope="module")
def both_of_the_module(django_db_setup, django_db_blocker):
    with made_once(django_db_blocker, make_both) as made:
        yield made


@pytest.fixture
def both(both_of_the_module, db):
    return tuple(copy_of(world) for world in both_of_the_module[:2])


def words_of(world, kinds):
    """Every id and every site code that a site's own program sees in its lists."""
    found = set()

    def gather(value):
        if isinstance(value, dict):
            for name, inner in value.items():
                if name in ("id", "job", "vehicle", "registration", "reference") and isinstance(inner, str):
                    found.add(inner)
                gather(inner)
        elif isinstance(value, list):
            for inner in value:
                gather(inner)

    for kind in kinds:
        gather(world.program.get(f"/{kind}?limit=200").json())
    return found


def test_every_list_is_looked_at(db):
    listed = {route.strip("/") for _, route, declared in operations() if declared.kind == "list"}
    listed = {route for route in listed if "<" not in route}  # what is below a thing goes with the thing
    assert listed - set(SHARED) == set(LISTS)


def test_no_list_of_one_names_anything_of_the_other(both):
    ours, theirs = both
    foreign = words_of(theirs, LISTS) - words_of(ours, LISTS)
    assert len(foreign) >= 12
    for kind in (*LISTS, *SHARED):
        text = ours.program.get(f"/{kind}").content.decode()
        assert not [word for word in foreign if word in text], kind
        assert "harbour" not in text
        assert "Harbour" not in text


def test_every_file_is_looked_at(db):
    routes = {
        re.sub(r"<[^>]+>", "<>", route.strip("/")) for _, route, it in operations() if it.kind == "file"
    }
    assert routes == {*FILES, *FILES_OF_A_THING, *FILES_OF_WHAT_IS_SHARED}


def addresses_of_files(shop):
    """Every table of the shop as a file, as CSV and as XLSX; of its things, one file each."""
    tables = [path for path in FILES if path != "labels"]
    tables += [f"bins/{place.pk}/history/file" for place in shop.shop.bins.values()]
    tables += [f"jobs/{job['id']}/history/file" for job in shop.program.get("/jobs").json()["items"]]
    tables.append(f"shim-families/{shop.family}/history/file")
    tables += [f"exports/{kind}" for kind in TABLE_KINDS if kind not in SHARED_TABLES]
    return [f"{path}?format={ending}" for path in tables for ending in ("csv", "xlsx")]


def files_of(shop):
    """What each of them holds, row by row, and what the sheet of labels says."""
    found = {path: rows_of(shop.program.get(f"/{path}")) for path in addresses_of_files(shop)}
    sheet = pypdfium2.PdfDocument(shop.program.get("/labels").content)
    found["labels"] = [page.get_textpage().get_text_range() for page in sheet]
    return found


def test_no_file_of_one_has_a_row_of_the_other(both, both_of_the_module):
    """A whole day at the other site has changed no cell of any of this one's files."""
    ours, theirs = both
    alone = both_of_the_module[2]
    assert files_of(ours) == alone
    seen = files_of(theirs)
    for path in (f"{path}?format=csv" for path in FILES[:-1]):
        assert len(seen[path]) > 1, path
        assert seen[path] != alone[path], path
    assert theirs.shop.bin("3.000").code in seen["labels"][0]


def test_every_file_of_a_thing_of_the_other_is_404_like_one_that_does_not_exist(both):
    ours, theirs = both
    nothing, asked = "0190b0a0-0000-7000-8000-000000000000", {"pack-label": "?thickness=2.575mm"}
    for pattern in FILES_OF_A_THING:
        kind, _, rest = pattern.partition("/<>/")
        for item in theirs.program.get(f"/{kind}").json()["items"]:
            foreign, missing = (
                ours.program.get(f"/{kind}/{key}/{rest}{asked.get(rest, '')}")
                for key in (item["id"], nothing)
            )
            assert foreign.status_code == 404, pattern
            assert without_instance(foreign) == without_instance(missing)


def test_every_thing_of_the_other_is_404_like_one_that_does_not_exist(both):
    ours, theirs = both
    for kind in (kind for kind in LISTS if kind not in WITHOUT_ID):
        for item in theirs.program.get(f"/{kind}").json()["items"]:
            assert theirs.program.get(f"/{kind}/{item['id']}").status_code == 200
            foreign = ours.program.get(f"/{kind}/{item['id']}")
            missing = ours.program.get(f"/{kind}/0190b0a0-0000-7000-8000-000000000000")
            assert foreign.status_code == 404
            assert without_instance(foreign) == without_instance(missing)


def test_the_others_site_as_a_filter_is_404_like_one_that_does_not_exist(both):
    """In every list, and in the reports that take a site."""
    ours, _ = both
    shared = (f"shim-families/{ours.family}/history/file", *(f"exports/{kind}" for kind in TABLE_KINDS))
    for kind in (*LISTS, *FILES, *shared, "counts/due", "counts/variance", "buying-insight"):
        foreign, missing = (ours.program.get(f"/{kind}?site={code}") for code in ("harbour", "nowhere"))
        assert foreign.status_code == missing.status_code == 404, kind
        assert without_instance(foreign) == without_instance(missing), kind


def test_the_others_job_as_a_filter_finds_nothing(both):
    ours, theirs = both
    jobs = theirs.program.get("/jobs").json()["items"]
    assert jobs
    for kind in ("history", "holds", "journeys", "movements", "needs"):
        for job in jobs:
            assert ours.program.get(f"/{kind}?job={job['id']}").json()["items"] == [], kind


def test_the_others_ids_and_names_in_a_body_are_answered_like_missing_ones(both):
    ours, theirs = both
    nothing = "0190b0a0-0000-7000-8000-000000000000"
    job = theirs.program.get("/jobs").json()["items"][0]
    vehicle = theirs.program.get("/vehicles").json()["items"][0]
    vehicle_body = {"registration": "X", "description": "x", "engine_type": ours.shop.engine.code}
    pairs = [
        ("/jobs", {"bay": 1}, "vehicle", vehicle["id"], nothing),
        ("/holds", {"lines": [ours.line()]}, "job", job["id"], nothing),
        ("/holds", {"lines": [ours.line()], "reference": "r"}, "site", "harbour", "nowhere"),
        ("/vehicles", vehicle_body, "site", "harbour", "nowhere"),
        ("/counts", {"place": "inspection"}, "site", "harbour", "nowhere"),
        ("/stock/count-in", {"note": "n", "lines": [ours.line()]}, "site", "harbour", "nowhere"),
        ("/purchase-lists", {"supplier": "norrbeck", "lines": [ours.size()]}, "site", "harbour", "nowhere"),
    ]
    for path, body, name, foreign, missing in pairs:
        answers = [ours.program.post(path, body | {name: value}) for value in (foreign, missing)]
        assert [answer.status_code for answer in answers] == [404, 404], (path, name)
        assert without_instance(answers[0]) == without_instance(answers[1])


def test_the_others_bin_is_no_bin_here(both):
    ours, theirs = both
    here = {place.code for place in ours.shop.bins.values()}
    only_there = next(
        code for number in range(50) if (code := theirs.shop.bin(f"3.{number:03d}").code) not in here
    )
    answers = [
        ours.program.post("/holds", {"reference": "r", "lines": [ours.line() | {"bin": code}]})
        for code in (only_there, "nowhere")
    ]
    assert [answer.status_code for answer in answers] == [400, 400]
    details = [answer.json()["errors"][0]["detail"] for answer in answers]
    assert details[0].replace(only_there, "nowhere") == details[1]


def without_instance(response):
    return {name: value for name, value in response.json().items() if name != "instance"}
