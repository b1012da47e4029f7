"""What became of an inspection, over the API: taken away once, and a later look counts."""

import pytest

from tests.api.writes import CASES

pytestmark = pytest.mark.django_db

TAKEN = "/api/problems/already-taken"


@pytest.fixture
def inspected(world):
    """(body of scrapping its shim, the inspection), and another shim just like it on the bench."""
    made = world.program.done(*CASES["inspect_shim"](world))
    line = {"family": world.family, "thickness": made["thickness"], "condition": "used", "quantity": 1}
    shown = made["thickness"]
    world.at_inspection(shown["value"])
    return {"source": "inspection", "note": "bent", "lines": [line], "inspection": made["id"]}, made


def test_its_shim_is_scrapped_once(world, inspected):
    body, made = inspected
    assert (made["taken"], made["looked_again"]) == (None, None)
    scrapped = world.program.done("/stock/scrap", body)
    again = world.program.post("/stock/scrap", body)
    assert (again.status_code, again.json()["type"]) == (409, TAKEN)
    assert "this shim was already scrapped " in again.json()["detail"]
    back = world.program.post("/stock/return-to-bin", into_bin(world, body))
    assert back.json()["type"] == TAKEN
    assert world.program.get(f"/inspections/{made['id']}").json()["taken"] == scrapped["id"]


def test_its_shim_goes_into_a_bin_once(world, inspected):
    body, made = inspected
    returned = world.program.done("/stock/return-to-bin", into_bin(world, body))
    assert world.program.post("/stock/scrap", body).json()["type"] == TAKEN
    assert world.program.get(f"/inspections/{made['id']}").json()["taken"] == returned["id"]


def test_who_names_none_takes_it_with_the_last_of_its_kind(world, inspected):
    body, made = inspected
    line = body["lines"][0] | {"quantity": 2}
    unnamed = {name: value for name, value in body.items() if name != "inspection"}
    scrapped = world.program.done("/stock/scrap", unnamed | {"lines": [line]})
    assert world.program.get(f"/inspections/{made['id']}").json()["taken"] == scrapped["id"]


def test_a_later_look_counts(world, inspected):
    body, made = inspected
    found = {"thickness": made["thickness"], "condition": "used"}
    look = {"family": world.family, "found": found, "face": "pitted", "marking_legible": False}
    later = world.program.done("/inspections", look | {"inspection": made["id"]})
    assert world.program.get(f"/inspections/{made['id']}").json()["looked_again"] == later["id"]
    refused = world.program.post("/stock/scrap", body)
    assert "this shim was already inspected again " in refused.json()["detail"]
    world.program.done("/stock/scrap", body | {"inspection": later["id"]})


def test_another_shim_or_none_at_all_is_named(world, inspected):
    body, _ = inspected
    world.at_inspection("2.700")
    other = body | {"lines": [body["lines"][0] | {"thickness": {"value": "2.700", "unit": "mm"}}]}
    answer = world.program.post("/stock/scrap", other)
    assert answer.status_code == 400
    assert [error["pointer"] for error in answer.json()["errors"]] == ["/inspection"]
    unknown = body | {"inspection": "0190b0a0-0000-7000-8000-000000000000"}
    assert world.program.post("/stock/scrap", unknown).status_code == 404


def into_bin(world, body):
    lines = [line | {"bin": world.bin("2.600")} for line in body["lines"]]
    return {"lines": lines, "inspection": body["inspection"]}


def test_a_shim_that_is_scrap_is_kept_only_when_that_is_confirmed(world):
    path, look = CASES["inspect_shim"](world)
    made = world.program.done(path, look | {"face": "pitted"})
    assert made["fate"] == "scrap"
    line = {"family": world.family, "thickness": made["thickness"], "condition": "used", "quantity": 1}
    body = into_bin(world, {"lines": [line], "inspection": made["id"]})
    refused = world.program.post("/stock/return-to-bin", body)
    assert (refused.status_code, refused.json()["type"]) == (409, "/api/problems/proposed-for-scrap")
    assert [error["pointer"] for error in refused.json()["errors"]] == ["/inspection"]
    returned = world.program.done("/stock/return-to-bin", body | {"confirm": True})
    assert world.program.get(f"/inspections/{made['id']}").json()["taken"] == returned["id"]
