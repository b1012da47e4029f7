"""The number of queries of an address does not grow with its rows: every list, and a job's sheet."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from tests.api.buying_writes import claimed
from tests.api.catalogue_writes import issue_key
from tests.api.counting import differing, opened
from tests.api.floor_writes import return_to_supplier, send_shims
from tests.api.table_writes import stage_import
from tests.api.world import length, thou
from tests.api.writes import inspect_shim, operations

LISTS = sorted(route for _, route, declared in operations() if declared.kind == "list" and "<" not in route)


def queries(program, path):
    program.get("/me")  # the last use of the key is noted
    with CaptureQueriesContext(
        connection,
    ) as caught:
        response = program.get(path)
    assert response.status_code == 200, response.content
    return len(caught), response.json()


def fill(world, times):
    for _ in range(times):
        hold = world.hold(lines=[world.line(), world.line("2.600", "used")])
        world.program.done(f"/holds/{hold['id']}/release")
        world.need()
        claimed(world)
        for case in (inspect_shim, return_to_supplier, send_shims):
            world.program.done(*case(world))
        world.coming()
        world.shop_plan()
        job = world.measured_again()
        world.program.done(f"{job}/sign-off")
        differing(world, thickness="2.625")
        world.program.act(f"{opened(world, '2.625')}/reject", {"note": "counted badly"})
        number = next(world.numbers)
        world.program.done(
            "/shim-families",
            {
                "code": f"f{number}",
                "name": "family",
                "form": "cap",
                "marking": "thousandths",
                **{
                    name: {"value": value, "unit": "mm"}
                    for name, value in (("diameter", "9"), ("min", "1.5"), ("max", "2.5"), ("step", "0.05"))
                },
            },
        )
        world.program.done(*issue_key(world))
        world.program.done(*stage_import(world))
        world.shop.stock((f"2.{100 + 25 * (number % 20)}", "new", 1))


@pytest.fixture
def small(world):
    world.shop.stock(("2.900", "new", 1))
    fill(world, 1)
    return world


def test_every_list_at_two_sizes(small):
    before = {path: queries(small.program, f"{path}?limit=200") for path in LISTS}
    fill(small, 2)
    for path in LISTS:
        count, body = queries(small.program, f"{path}?limit=200")
        before_count, before_body = before[path]
        assert count == before_count, path
        # The key, whose it is and its roles are three of them. What a person did is of eight kinds, each with
        # a table of its own.
        assert count <= (16 if path == "/history/by-person" else 11), path
        if path not in ("/sites", "/suppliers", "/engine-types", "/exchange-rates") and body["items"]:
            assert len(body["items"]) > len(before_body["items"]), path


def test_reports_of_counts_and_a_count_at_two_sizes(autumn, world):
    """Whatever the number of bins, of lots in one, and of counts that differed."""

    def asked():
        begun, settled = opened(world, "2.600"), differing(world)
        world.program.done(f"{begun}/begin")
        paths = ("/counts/due?most=200", "/counts/variance", begun, settled)
        found = [queries(world.program, path) for path in paths]
        world.program.done(f"{begun}/cancel")
        world.program.done(f"{settled}/reject", {"note": "once more"})
        return [count for count, _ in found], [body for _, body in found]

    few, before = asked()
    for number in range(3):
        world.program.done(f"{differing(world, thickness='2.625')}/reject", {"note": "again"})
        for bin_of in ("2.600", "2.575"):
            thickness = f"2.8{number}{bin_of[-1]}"
            world.shop.bins[thickness] = world.shop.bin(bin_of)
            world.shop.stock((thickness, "used", 2))
        world.shop.stock((f"3.{number}00", "new", 2))
    many, after = asked()
    assert many == few
    assert max(few) <= 14
    assert len(after[0]["due"]) > len(before[0]["due"])
    assert len(after[1]["lines"]) > len(before[1]["lines"])
    assert len(after[2]["sheet"]) > len(before[2]["sheet"])
    assert len(after[3]["lots"]) > len(before[3]["lots"])


def test_a_jobs_sheet_whatever_happened_on_it(world):
    """However many readings, plans and events there are, and however many lines its hold has."""

    def held(*tight):
        job = world.job()
        for passes in ("4", "5"):
            readings = world.readings["readings"] | {label: {"passes": thou(passes)} for label in tight}
            world.program.done(f"{job}/readings", {"readings": readings})
            shims = {label: {"thickness": length("2.650"), "known_by": "measured"} for label in tight}
            world.program.done(f"{job}/shims", {"shims": shims})
            for _ in range(len(tight)):
                world.program.done(f"{job}/plan")
        world.program.done(f"{job}/hold")
        return queries(world.program, job)

    one, sheet = held("1-IN")
    assert [len(hold["lines"]) for hold in sheet["holds"]] == [1]
    more, sheet = held("1-IN", "2-IN")
    assert [len(hold["lines"]) for hold in sheet["holds"]] == [2]
    assert len(sheet["events"]) >= 8
    assert one == more <= 21
