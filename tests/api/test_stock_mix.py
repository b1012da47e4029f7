"""GET /stock-mix: its figures, its two parameters that ask another question, and keeping what it proposes."""

import pytest

from inventory.models import StockMinimum
from tests.api.test_pages_of_lists import walk

pytestmark = pytest.mark.django_db


@pytest.fixture
def asked_for(world):
    """An engine took a new shim."""
    world.shop.stock(("2.575", "new", 12))
    world.fitted()
    return world


def items(world, query=""):
    return world.program.get(f"/stock-mix?limit=200{query}").json()["items"]


def test_a_row_says_all_and_nothing_is_a_float(asked_for):
    rows = items(asked_for)
    assert sum(row["taken"] for row in rows) >= 1
    taken = next(row for row in rows if row["taken"])
    assert set(taken) == {
        *("site", "family", "thickness", "taken", "expected", "on_hand", "available", "minimum"),
        *("proposed", "service_level", "chance", "protection_days", "why", "too_many", "too_many_worth"),
        *("currency", "why_too_many"),
    }
    assert (taken["service_level"], taken["minimum"]) == ("0.95", None)
    assert taken["why"].startswith(f"Fitted {taken['taken']} in ")
    assert not [value for row in rows for value in row.values() if isinstance(value, float)]
    assert walk(asked_for.program, "/stock-mix", 2) == rows
    part = asked_for.program.get("/stock-mix?limit=1&fields=thickness,proposed").json()["items"]
    assert part == [{name: rows[0][name] for name in ("thickness", "proposed")}]


def test_another_service_level_and_another_time(asked_for):
    def total(query):
        return sum(row["proposed"] for row in items(asked_for, query))

    assert total("&service_level=0.5") <= total("") <= total("&service_level=0.999")
    assert total("&service_level=0.5") < total("&service_level=0.999")
    assert {row["service_level"] for row in items(asked_for, "&service_level=0.975")} == {"0.975"}
    assert sum(row["taken"] for row in items(asked_for, "&months=120")) >= 1


@pytest.mark.parametrize(
    ("query", "pointer"),
    [
        ("service_level=95", "?service_level"),
        ("service_level=1", "?service_level"),
        ("service_level=0.4", "?service_level"),
        ("service_level=0.9999", "?service_level"),
        ("service_level=.95", "?service_level"),
        ("service_level=0.٩", "?service_level"),
        ("months=0", "?months"),
        ("months=121", "?months"),
        ("family=", "?family"),
    ],
)
def test_what_it_does_not_take(world, query, pointer):
    refused = world.program.get(f"/stock-mix?{query}")
    assert refused.status_code == 400
    assert [error["pointer"] for error in refused.json()["errors"]] == [pointer]


def test_what_is_proposed_is_kept_by_the_bulk_write(asked_for):
    rows = [row for row in items(asked_for) if row["proposed"] != (row["minimum"] or 0)]
    assert rows
    sent = [
        {"family": row["family"], "thickness": row["thickness"], "minimum": row["proposed"]} for row in rows
    ]
    asked_for.program.done("/stock-minimums/bulk", {"rows": sent})
    assert StockMinimum.objects.filter(minimum__gt=0).count() == len(rows)
    assert not [row for row in items(asked_for) if row["proposed"] != (row["minimum"] or 0)]


def test_another_site_s_is_not_there(asked_for, stranger):
    assert stranger.get("/stock-mix").json()["items"] == []
    assert stranger.get(f"/stock-mix?site={asked_for.site.code}").status_code == 404
