"""Many things in one request: all or none, every wrong row named, no query more for a row more."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from api.models import KeptAnswer
from inventory.models import Need, PartPrice, StockMinimum
from jobs.models import Vehicle
from tests.api.world import length

pytestmark = pytest.mark.django_db
VEHICLES, NEEDS, MINIMUMS = "/vehicles/bulk", "/needs/bulk", "/stock-minimums/bulk"

NO_SIZE = "2.701 mm is no size that 29 mm disc is made in: the nearest made size is 2.700 mm"


def vehicle(number, **more):
    return {"registration": f"V {number}", "description": f"vehicle {number}"} | more


def need(world, thickness="2.700", **more):
    return {"family": world.family, "thickness": length(thickness)} | more


def keep(world, thickness="2.700", minimum=3, **more):
    return need(world, thickness, minimum=minimum, **more)


def send(world, path, rows, **options):
    return world.program.post(path, {"site": world.site.code, "rows": rows}, **options)


def errors_of(response, status):
    assert response.status_code == status, response.content
    return {error["pointer"]: error["detail"] for error in response.json()["errors"]}


class TestVehicles:
    def test_are_answered_in_their_order_by_the_rules_of_the_single_one(self, world):
        engine = world.shop.engine.code
        rows = [vehicle(9, registration=" zz  9 "), vehicle(1, engine_type=engine), vehicle(5, note="May")]
        response = send(world, VEHICLES, rows)
        assert response.status_code == 201
        items = response.json()["items"]
        assert [item["registration"] for item in items] == ["ZZ 9", "V 1", "V 5"]
        assert [item["engine_type"] for item in items] == [None, engine, None]
        assert {item["site"] for item in items} == {world.site.code}
        alone = world.program.post("/vehicles", vehicle(6, note="May") | {"site": world.site.code}).json()
        assert set(alone) == set(items[2])

    def test_form_errors_of_all_rows_are_named_together(self, world):
        long = {"registration": "X" * 21, "description": "long"}
        rows = [vehicle(0), {"description": "no plate"}, vehicle(2, note=7), vehicle(3), long]
        errors = errors_of(send(world, VEHICLES, rows), 400)
        assert list(errors) == ["/rows/1/registration", "/rows/2/note", "/rows/4/registration"]
        assert not Vehicle.objects.exists()

    def test_unknown_engine_types_of_all_rows_are_named_together(self, world):
        rows = [vehicle(0, engine_type="nix"), vehicle(1), vehicle(2, engine_type="nought")]
        errors = errors_of(send(world, VEHICLES, rows), 400)
        assert list(errors) == ["/rows/0/engine_type", "/rows/2/engine_type"]

    def test_what_is_known_already_is_named_row_by_row(self, world):
        known = send(world, VEHICLES, [vehicle(4), vehicle(2)]).json()["items"]
        response = send(world, VEHICLES, [vehicle(number) for number in range(6)])
        errors = errors_of(response, 409)
        assert errors == {
            "/rows/2/registration": "V 2 is known here already: vehicle 2",
            "/rows/4/registration": "V 4 is known here already: vehicle 4",
        }
        problem = response.json()
        assert problem["type"] == "/api/problems/vehicle-known"
        assert problem["vehicles"] == [known[1]["id"], known[0]["id"]]
        assert Vehicle.objects.count() == 2

    def test_one_vehicle_in_two_rows_is_named_at_both_beside_what_is_known(self, world):
        send(world, VEHICLES, [vehicle(7)])
        rows = [vehicle(0), vehicle(1), vehicle(7), vehicle(8, registration="v  1"), vehicle(1)]
        assert errors_of(send(world, VEHICLES, rows), 400) == {
            "/rows/1/registration": "V 1 stands in row 4 (/rows/3) too; enter each vehicle once",
            "/rows/2/registration": "V 7 is known here already: vehicle 7",
            "/rows/3/registration": "V 1 stands in row 2 (/rows/1) too; enter each vehicle once",
            "/rows/4/registration": "V 1 stands in row 2 (/rows/1) too; enter each vehicle once",
        }
        assert Vehicle.objects.count() == 1

    def test_another_site_may_know_them_and_is_not_told_of(self, world, other_site):
        Vehicle.objects.create(site=other_site, registration="V 1", description="theirs")
        assert send(world, VEHICLES, [vehicle(1)]).status_code == 201
        response = world.program.post(VEHICLES, {"site": other_site.code, "rows": [vehicle(2)]})
        assert errors_of(response, 404) == {"/site": "there is no such thing here"}

    def test_five_hundred_are_taken_and_one_more_is_not(self, world):
        rows = [vehicle(number) for number in range(501)]
        assert errors_of(send(world, VEHICLES, rows), 400) == {"/rows": "has more than 500"}
        assert "/rows" in errors_of(send(world, VEHICLES, []), 400)
        assert not Vehicle.objects.exists()
        response = send(world, VEHICLES, rows[:500])
        assert response.status_code == 201
        plates = [item["registration"] for item in response.json()["items"]]
        assert plates == [row["registration"] for row in rows[:500]]
        # Every one of them is named, also where they are more than a sentence would hold.
        refused = send(world, VEHICLES, rows[:500])
        assert len(errors_of(refused, 409)) == 500
        assert refused.json()["detail"].endswith("And 495 more.")

    def test_a_trial_names_what_is_known_and_enters_nothing(self, world):
        trial = f"{VEHICLES}?validate_only=true"
        assert send(world, trial, [vehicle(1), vehicle(2)]).status_code == 201
        assert not Vehicle.objects.exists()
        send(world, VEHICLES, [vehicle(2)])
        assert list(errors_of(send(world, trial, [vehicle(1), vehicle(2)]), 409)) == ["/rows/1/registration"]

    def test_only_what_depends_on_the_state_sticks_to_the_key(self, world):
        twice = [vehicle(1), vehicle(1)]
        assert send(world, VEHICLES, twice, key="k").status_code == 400
        assert not KeptAnswer.objects.filter(key="k").exists()
        assert send(world, VEHICLES, twice[:1], key="k").status_code == 201


class TestNeeds:
    def test_are_answered_in_their_order_each_shim_its_own(self, world):
        rows = [need(world, "2.725", quantity=2, note="van"), need(world), need(world, "2.725")]
        items = send(world, NEEDS, rows).json()["items"]
        assert [item["thickness"]["value"] for item in items] == ["2.725", "2.725", "2.7", "2.725"]
        assert [item["note"] for item in items] == ["van", "van", "", ""]
        assert {(item["origin"], item["state"]) for item in items} == {("hand", "open")}
        assert len({item["id"] for item in items}) == Need.objects.count() == 4

    def test_every_wrong_row_is_named_and_none_is_taken(self, world):
        rows = [need(world), need(world, "2.701"), need(world), need(world, "2.713", note="x")]
        errors = errors_of(send(world, NEEDS, rows), 400)
        assert list(errors) == ["/rows/1/thickness", "/rows/3/thickness"]
        assert "2.701 mm is no size" in errors["/rows/1/thickness"]
        rows = [need(world, family="nix"), need(world), need(world, family="nought")]
        assert list(errors_of(send(world, NEEDS, rows), 400)) == ["/rows/0/family", "/rows/2/family"]
        rows = [need(world, quantity=0), need(world, quantity=201), need(world)]
        assert list(errors_of(send(world, NEEDS, rows), 400)) == ["/rows/0/quantity", "/rows/1/quantity"]
        assert not Need.objects.exists()

    def test_five_hundred_rows_and_two_thousand_shims_are_the_most(self, world):
        rows = [need(world, quantity=4)] * 500
        assert errors_of(send(world, NEEDS, [*rows, need(world)]), 400) == {"/rows": "has more than 500"}
        more = [*rows[:499], need(world, quantity=5)]
        assert errors_of(send(world, NEEDS, more), 400) == {
            "/rows": "are 2,001 shims together; 2,000 is the most"
        }
        assert not Need.objects.exists()
        assert len(send(world, NEEDS, rows).json()["items"]) == Need.objects.count() == 2_000


class TestMinimums:
    def test_are_answered_in_their_order_and_take_the_place_of_what_was_said(self, world):
        first = world.program.post("/stock-minimums", keep(world, "2.725", 7)).json()
        rows = [keep(world, "2.750"), keep(world, "2.725", 1), keep(world, "2.700", 0)]
        items = send(world, MINIMUMS, rows).json()["items"]
        said = [(item["thickness"]["value"], item["minimum"], item["site"]) for item in items]
        assert said == [("2.75", 3, "north"), ("2.725", 1, "north"), ("2.7", 0, "north")]
        assert items[1]["id"] == first["id"]
        assert world.program.get(f"/stock-minimums/{first['id']}").json() == items[1]
        assert StockMinimum.objects.count() == 3

    def test_every_wrong_row_is_named_and_none_is_taken(self, world):
        rows = [keep(world), keep(world, "2.701"), keep(world, minimum=4), keep(world, "2.650")]
        assert errors_of(send(world, MINIMUMS, rows), 400) == {
            "/rows/0/thickness": "2.700 mm of disc29 stands in row 3 (/rows/2) too; name each size once",
            "/rows/1/thickness": NO_SIZE,
            "/rows/2/thickness": "2.700 mm of disc29 stands in row 1 (/rows/0) too; name each size once",
        }
        rows = [keep(world, family="nix"), keep(world), keep(world, family="nought")]
        assert list(errors_of(send(world, MINIMUMS, rows), 400)) == ["/rows/0/family", "/rows/2/family"]
        rows = [keep(world, minimum=-1), keep(world, "2.650"), keep(world, "2.675", minimum=100_001)]
        assert list(errors_of(send(world, MINIMUMS, rows), 400)) == ["/rows/0/minimum", "/rows/2/minimum"]
        assert errors_of(send(world, MINIMUMS, rows[1:2] * 501), 400) == {"/rows": "has more than 500"}
        assert not StockMinimum.objects.exists()

    def test_a_trial_sets_nothing_and_another_site_is_not_there(self, world, other_site):
        rows = [keep(world), keep(world, "2.725")]
        assert len(send(world, f"{MINIMUMS}?validate_only=true", rows).json()["items"]) == 2
        response = world.program.post(MINIMUMS, {"site": other_site.code, "rows": rows})
        assert errors_of(response, 404) == {"/site": "there is no such thing here"}
        assert not StockMinimum.objects.exists()


def test_a_wrong_price_is_named_by_row_and_field(world):
    def price(part, **more):
        row = {"part_number": part, "price": "3.10", "valid_from": "2026-01-01"}
        return need(world, **row) | more

    rows = [
        price("A"),
        price("B", thickness=length("2.701")),
        price("C", price="0"),
        price("D", valid_to="2025-12-31"),
        price("A"),
        price("E", from_packs=5),
    ]
    response = world.program.act("/suppliers/norrbeck/part-prices", {"rows": rows})
    assert errors_of(response, 400) == {
        "/rows/1/thickness": NO_SIZE,
        "/rows/2/price": "a price is above 0, with at most four decimals",
        "/rows/3/valid_to": "the last day lies before the first",
        "/rows/4/from_packs": "A has two prices from 1 packs on",
        "/rows/5/from_packs": "E has no price from 1 pack on",
    }
    assert not PartPrice.objects.exists()


@pytest.mark.parametrize("path", [VEHICLES, NEEDS, MINIMUMS])
def test_a_row_more_is_no_query_more(world, path):
    def row(number):
        if path == VEHICLES:
            return vehicle(number, engine_type=world.shop.engine.code)
        return need(world) if path == NEEDS else keep(world, f"2.{25 * number:03d}")

    def queries(numbers):
        rows = [row(number) for number in numbers]
        with CaptureQueriesContext(connection) as caught:
            assert send(world, path, rows).status_code == 201
        return len(caught)

    queries([0])  # the last use of the key is noted
    assert queries(range(1, 3)) == queries(range(10, 40))


def test_a_restock_that_finds_nothing_missing_answers_an_empty_list(world):
    body = {"family": world.family, "thickness": length("2.700"), "minimum": 500}
    assert world.program.post("/stock-minimums", body).status_code == 201
    first = world.program.post("/needs/restock", {})
    made = len(first.json()["items"])
    assert (first.status_code, made > 0, made) == (201, True, Need.objects.count())
    again = world.program.post("/needs/restock", {})
    assert (again.status_code, again.json()) == (201, {"items": []})
    assert Need.objects.count() == made
