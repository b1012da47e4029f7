"""Histories as files over the API: what the pages write, byte for byte, and what the lists tell."""

from io import BytesIO

import pytest

from inventory.spreadsheets.reading import read_rows
from tests.api.program import API
from tests.api.writes import operations

FORMULA = '=HYPERLINK("http://evil.example","note")'


def content_of(response):
    assert response.status_code == 200, response.content
    return b"".join(response) if response.streaming else response.content


def rows_of(response):
    """The file's rows, header first."""
    name = response["Content-Disposition"].split('"')[1]
    return [list(row.cells) for row in read_rows(BytesIO(content_of(response)), name)]


def file_at(path, query=""):
    """The file of the list at this path, asked for as the path and the query say."""
    address, _, asked = path.partition("?")
    return f"{address}/file?{asked}&{query}".rstrip("?&")


@pytest.fixture
def histories(world, manager):
    """The address of each history in the API -> the pages' one, without an ending."""
    shims = {name: value for name, value in world.line().items() if name != "bin"}
    world.program.done("/stock/receive", {"lines": [shims], "document": FORMULA})
    world.hold()
    pages, place, job = f"/at/{world.site.code}", world.shop.bin("2.575").pk, world.read()
    return {
        "/history": f"{pages}/history",
        "/history/by-person": f"{pages}/history/of/person/{manager.pk}",
        f"/bins/{place}/history": f"{pages}/history/of/bin/{place}",
        f"{job}/history": f"{pages}{job}/history",
        f"/shim-families/{world.family}/history?thickness=2.575mm": (
            f"{pages}/history/of/size/{world.family}-2575000"
        ),
    }


@pytest.mark.django_db
def test_a_file_is_the_pages_own_and_has_what_the_list_has(world, histories, client, manager):
    client.force_login(manager)
    for path, page in histories.items():
        sheet = world.program.get(file_at(path))
        assert sheet["Content-Type"] == "text/csv"
        assert content_of(sheet) == content_of(client.get(f"{page}.csv")), path
        for query in ("", "from=2001-01-01T00:00:00Z", "to=2001-01-01T00:00:00Z"):
            listed = world.program.get(f"{path}{'&' if '?' in path else '?'}limit=200&{query}".rstrip("&"))
            rows = rows_of(world.program.get(file_at(path, query)))
            assert len(rows) - 1 == len(listed.json()["items"]), (path, query)
    assert len(rows_of(world.program.get("/history/file"))) == 9


@pytest.mark.django_db
def test_a_workbook_has_the_same_rows(world, histories):
    for path in (*histories, "/journeys", "/stock", f"/shim-families/{world.family}/history"):
        book = world.program.get(file_at(path, "format=xlsx"))
        assert book["Content-Disposition"].endswith('.xlsx"')
        assert rows_of(book) == rows_of(world.program.get(file_at(path))), path


@pytest.mark.django_db
def test_the_stock_of_now_and_of_before_anything_was(world):
    rows = rows_of(world.program.get("/stock/file"))
    lots = world.program.get("/stock?limit=200").json()["items"]
    assert {(row[0], row[4]) for row in rows[1:]} >= {(lot["bin"], str(lot["on_hand"])) for lot in lots}
    assert rows_of(world.program.get("/stock/file?as_of=2001-01-01T00:00:00Z")) == rows[:1]
    assert rows_of(world.program.get(f"/stock/file?family={world.family}")) == rows


@pytest.mark.django_db
def test_no_cell_is_a_formula(world, histories):
    text = content_of(world.program.get("/history/file")).decode()
    assert "\"'=HYPERLINK(" in text
    assert ',"=HYPERLINK(' not in text
    assert FORMULA in [cell for row in rows_of(world.program.get("/history/file")) for cell in row]


@pytest.mark.django_db
def test_what_is_asked_for_wrongly_is_said(world, histories, stranger):
    for path, status in (
        ("/history/file?format=pdf", 400),
        ("/history/file?limit=5", 400),
        ("/history/file?ordering=written", 400),
        ("/history/file?site=harbour", 404),
        ("/history/file?person=nobody", 404),
        ("/journeys/file?family=none", 404),
        ("/stock/file?as_of=2100-01-01T00:00:00Z", 400),
        ("/stock/file?family=none", 404),
        (f"/shim-families/{world.family}/history/file?thickness=9mm", 400),
    ):
        assert world.program.get(path).status_code == status, path
    for path in histories:
        if path.startswith(("/bins", "/jobs")):
            assert stranger.get(file_at(path)).status_code == 404, path
        assert world.program.client.get(f"{API}{file_at(path)}").status_code == 401
    assert world.program.get("/history/file", Accept="application/pdf").status_code == 406


def test_every_history_that_pages_give_as_a_file_has_an_address():
    routes = {route for _, route, _ in operations()}
    kept = {route for route in routes if route.endswith(("/history", "/by-person", "/journeys", "/stock"))}
    assert len(kept) == 7
    assert {f"{route}/file" for route in kept} <= routes
