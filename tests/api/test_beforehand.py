"""The check before the cover comes off, over the API."""

import json

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from jobs.models import Vehicle
from shop.actor import service_actor
from shop.models import Membership, Role
from tests.api.program import program
from tests.jobs.past import FINE, took_the_last, visit
from tests.jobs.shop import NEW, Workshop

CHECK = "/checks-before-opening"
NOWHERE = "0190b0a0-0000-7000-8000-000000000000"


@pytest.fixture
def been(world) -> Vehicle:
    """A vehicle whose engine took the last shim of its size."""
    return took_the_last(world.shop)


def asked(program, vehicle, **more):
    query = "&".join(f"{name}={value}" for name, value in more.items())
    return program.get(f"{CHECK}?vehicle={vehicle.pk}&{query}".rstrip("&"))


def test_the_answer(world, been):
    told = asked(world.program, been).json()
    assert (told["site"], told["vehicle"], told["engine_type"]) == ("north", str(been.pk), "twin-4")
    assert (told["basis"], told["cases"], told["rest_on"], told["done"]) == ("type", 1, 1, 0)
    assert (told["chance"], told["low"], told["high"], told["with_order"]) == ("0.00", "0.00", "0.80", 1)
    (size,) = told["sizes"]
    assert (size["state"], size["wanted_in"], size["bought_in"], size["order"]) == ("missing", 1, 1, 1)
    assert size["size"]["unit"] == "mm"
    assert [valve["label"] for valve in told["last_visit"]["valves"]] == ["1-IN", "1-EX", "2-IN", "2-EX"]
    first = told["last_visit"]["valves"][0]
    assert first["clearance"]["passes"] == {"value": "0.2032", "unit": "mm"}
    assert first["shim"] == {"value": "2.875", "unit": "mm"}
    assert "Order today: 1 ×" in " ".join(told["say"])
    assert told["open_job"] is None


def test_nothing_in_it_is_a_float(world, been):
    json.loads(asked(world.program, been).content, parse_float=pytest.fail)


def test_no_history_no_figure(world):
    told = world.program.get(f"{CHECK}?engine_type=twin-4").json()
    assert (told["cases"], told["chance"], told["low"], told["high"], told["basis"]) == (0,) + (None,) * 4
    assert "look at the drawer yourself" in told["say"][0]


def test_an_open_job_is_named(world):
    job = world.job()
    vehicle = world.program.get(job).json()["vehicle"]
    told = world.program.get(f"{CHECK}?vehicle={vehicle}").json()
    assert f"/jobs/{told['open_job']}" == job


def test_the_case_gives_the_plan_that_post_plans_gives(world):
    """The one past engine, planned by POST /plans from the same stock, buys what is said to be missing."""
    vehicle = took_the_last(world.shop)
    told = asked(world.program, vehicle).json()
    thou = [{"value": value, "unit": "thou"} for value in ("6", "10", "14", "5", "8", "12")]
    low, middle, high, tight, fine, loose = thou
    valves = [
        {"label": label, "spec": {"min": least, "max": most}, "clearance": {"passes": passes}, "shim": own}
        for label, least, most, passes, own in (
            (
                "1-IN",
                low,
                middle,
                tight,
                {"thickness": {"value": "2.950", "unit": "mm"}, "known_by": "measured"},
            ),
            ("2-IN", low, middle, fine, None),
            ("1-EX", middle, high, loose, None),
            ("2-EX", middle, high, loose, None),
        )
    ]
    plan = world.program.post("/plans", {"family": world.family, "site": "north", "valves": valves}).json()
    assert [(size["thickness"], size["quantity"]) for size in plan["to_buy"]] == [
        (size["size"], size["most"]) for size in told["sizes"]
    ]


def test_unchanged_it_is_304_and_changed_stock_changes_its_tag(world, been):
    answer = asked(world.program, been)
    again = world.program.get(f"{CHECK}?vehicle={been.pk}", **{"If-None-Match": answer["ETag"]})
    assert (again.status_code, again.content) == (304, b"")
    world.shop.stock((answer.json()["sizes"][0]["size"]["value"], NEW, 1))
    later = asked(world.program, been)
    assert later["ETag"] != answer["ETag"]
    assert later.json()["sizes"][0]["state"] == "last"


@pytest.mark.parametrize("query", ["", "?engine_type=twin-4&vehicle=" + NOWHERE])
def test_either_a_vehicle_or_a_type(world, query):
    answer = world.program.get(f"{CHECK}{query}")
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["pointer"] == "?vehicle"


def test_what_there_is_not(world, been, other_site, stranger):
    assert world.program.get(f"{CHECK}?vehicle={NOWHERE}").status_code == 404
    assert world.program.get(f"{CHECK}?vehicle=x").status_code == 400
    unknown = world.program.get(f"{CHECK}?engine_type=none")
    assert (unknown.status_code, unknown.json()["errors"][0]["pointer"]) == (400, "?engine_type")
    assert asked(stranger, been).status_code == 404
    for site in ("harbour", "nowhere"):
        assert asked(world.program, been, site=site).status_code == 404
        assert world.program.get(f"{CHECK}?engine_type=twin-4&site={site}").status_code == 404


def test_another_sites_past_and_stock_stay_there(world, been, other_site, stranger, manager):
    size = asked(world.program, been).json()["sizes"][0]["size"]["value"]
    there = Workshop(
        site=other_site, tech=service_actor(), family=world.shop.family, engine=world.shop.engine
    )
    there.stock((size, NEW, 3))
    told = asked(world.program, been).json()
    assert (told["cases"], told["sizes"][0]["available"], told["sizes"][0]["elsewhere"]) == (1, 0, [])
    assert stranger.get(f"{CHECK}?engine_type=twin-4").json()["cases"] == 0
    Membership.objects.create(user=manager, site=other_site, role=Role.TECHNICIAN)
    both = program(manager, world.site, other_site)
    told = asked(both, been).json()
    assert told["sizes"][0]["elsewhere"] == [{"site": "harbour", "available": 3}]
    assert told["chance"] == "0.00"


def test_scopes(world, been, technician):
    assert asked(program(technician, world.site, scopes=["read"]), been).status_code == 403
    assert asked(program(technician, world.site, scopes=["plan"]), been).status_code == 200


def test_the_number_of_questions_at_two_sizes(world):
    def questions():
        world.program.get("/me")
        with CaptureQueriesContext(connection) as caught:
            told = world.program.get(f"{CHECK}?engine_type=twin-4").json()
        return len(caught), told["cases"]

    visit(world.shop, world.shop.vehicle("N 1"), FINE)
    few = questions()
    for number in range(2, 6):
        visit(world.shop, world.shop.vehicle(f"N {number}"), FINE)
        world.shop.stock((f"2.{number}00", NEW, 1))
    many = questions()
    assert (few[1], many[1]) == (1, 5)
    assert few[0] == many[0] <= 16
