"""What buying costs, over the API: the manager's page in figures that a program can read."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from tests.api.buying_writes import claimed
from tests.api.program import program

PATH = "/buying-insight"


def received(world, price):
    """One shim bought and taken in at this price. Returns the order as it was before."""
    bought = world.bought()
    (line,) = bought["lines"]
    body = {"lines": [{"line": line["id"], "quantity": 1, "price": price}]}
    world.program.act(f"/purchase-lists/{bought['id']}/receive", body)
    return bought


def test_before_anything_was_bought(world):
    told = world.program.get(f"{PATH}?year=2001").json()
    assert (told["site"], told["year"]) == ("north", 2001)
    assert told["spent"] == told["suppliers"] == told["paid"] == []
    assert told["saved"] == {
        "currency": "EUR",
        "gathering": "0.00",
        "swaps": "0.00",
        "used_shims": "0.00",
        "unpriced": 0,
        "by_month": [],
    }


def test_what_was_saved_month_by_month_is_what_the_page_shows(world, client, manager):
    world.fitted()
    told = world.program.get(PATH).json()
    (month,) = told["saved"]["by_month"]
    assert month["swaps"] + month["used_shims"] > 0
    assert month["swaps_saved"] == told["saved"]["swaps"]
    assert month["used_shims_saved"] == told["saved"]["used_shims"]
    client.force_login(manager)
    (row,) = client.get(f"/at/north/savings?year={told['year']}").context["rows"]
    assert (row[1].number, row[1].swaps, row[1].used) == (month["month"], month["swaps"], month["used_shims"])
    assert row[2:4] == (f"{month['swaps_saved']} EUR", f"{month['used_shims_saved']} EUR")


def test_an_order_its_delivery_and_a_claim(world):
    first = received(world, "3.15")
    claim = claimed(world)
    answer = world.program.get(f"/supplier-claims/{claim.pk}")
    settled = {"outcome": "credited", "amount": "1.10"}
    done = world.program.post(f"/supplier-claims/{claim.pk}/settle", settled, if_match=answer["ETag"])
    assert done.status_code == 200, done.content
    told = world.program.get(PATH).json()
    (line,) = first["lines"]
    (row,) = told["spent"]
    assert (row["orders"], row["currency"], row["unpriced"]) == (2, line["currency"], 0)
    assert float(row["amount"]) == pytest.approx(2 * float(line["amount"]))
    (kept,) = told["suppliers"]
    assert (kept["deliveries"], kept["claims"]) == (1, 1)
    assert kept["credited"] == [{"amount": "1.10", "currency": "EUR"}]
    assert kept["days_taken"] - kept["days_promised"] <= kept["days_late"]
    (paid,) = told["paid"]
    assert (paid["shims"], paid["paid"], paid["currency"]) == (1, "3.15", "EUR")
    assert float(paid["ordered_at"]) == pytest.approx(float(line["price"]), abs=0.005)
    history = told["price_history"]
    assert (history["family"], history["thickness"]) == (line["family"], line["thickness"])
    assert [price["each"] for price in history["prices"] if price["paid"]] == ["3.1500"]
    assert {price["each"] for price in history["prices"] if not price["paid"]} == {line["price"]}
    assert told["sizes"][0]["times"] >= 1
    size = f"family={line['family']}&thickness={line['thickness']['value']}mm"
    assert world.program.get(f"{PATH}?{size}").json()["price_history"] == history
    never = world.program.get(f"{PATH}?family={line['family']}&thickness=2.025mm").json()["price_history"]
    assert never["prices"] == []


@pytest.mark.parametrize(
    ("query", "pointer"),
    [
        ("family=d29", "?thickness"),
        ("thickness=2.65mm", "?family"),
        ("family=nothing&thickness=2.65mm", "?family"),
        ("year=1999", "?year"),
    ],
)
def test_what_cannot_be_meant_is_named(world, query, pointer):
    refused = world.program.get(f"{PATH}?{query}")
    assert refused.status_code == 400
    assert [error["pointer"] for error in refused.json()["errors"]] == [pointer]


def test_it_is_the_managers_as_the_page_is(world, technician, counter, manager):
    for person in (technician, counter):
        assert program(person, world.site).get(PATH).status_code == 403
    for scopes, status in ((["read"], 403), (["purchasing"], 403), (["admin"], 200)):
        assert program(manager, world.site, scopes=scopes).get(PATH).status_code == status


def test_it_asks_as_much_for_many_orders_as_for_few(world):
    def asked():
        with CaptureQueriesContext(connection) as caught:
            told = world.program.get(PATH).json()
        return len(caught), len(told["sizes"]), sum(row["orders"] for row in told["spent"])

    received(world, "3.15")
    asked()
    few = asked()
    for price in ("3.20", "3.25", "3.30"):
        received(world, price)
        claimed(world)
    many = asked()
    assert many[2] > few[2]
    assert many[0] == few[0] <= 20
