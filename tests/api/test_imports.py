"""Tables over the API: sent as files, judged, applied whole or called off, and out again (bars A11, S6)."""

import io
import json

import pytest
from django.test.client import BOUNDARY, encode_multipart
from openpyxl import load_workbook

from inventory.imports.kinds import kinds
from inventory.models import ImportRun, Movement
from shop.background.work import work_once
from shop.models import Task
from tests.api.program import API, File, check_problem, program
from tests.api.table_writes import HEADINGS, judged, staged, table
from tests.api.test_pages_of_lists import walk

MULTIPART = f"multipart/form-data; boundary={BOUNDARY}"


def exported(world, kind="stock", query=""):
    response = world.program.get(f"/exports/{kind}{query}")
    assert response.status_code == 200, response.content
    return b"".join(response)


class TestATable:
    def test_is_judged_row_by_row_applied_and_seen_in_the_stock(self, world):
        bins = [world.bin(thickness) for thickness in ("2.575", "2.600", "2.700")]
        rows = [
            f"{bins[0]},{world.family},2.575,new,17",
            f"{bins[1]},{world.family},2.600,used,6",
            f"{bins[2]},{world.family},2.700,new,3",
        ]
        run = staged(world, *rows)
        waiting = world.program.get(run).json()
        assert (waiting["state"], waiting["progress"], waiting["rows"]) == ("staged", 0, 0)
        work_once()
        seen = world.program.get(run).json()
        assert [seen[name] for name in ("state", "progress", "rows", "new", "changed", "same", "wrong")] == [
            *("checked", 100, 3, 1, 1, 1, 0)
        ]
        listed = walk(world.program, f"{run}/rows", 2)
        assert [(row["number"], row["fate"]) for row in listed] == [(2, "changed"), (3, "same"), (4, "new")]
        assert listed[0]["values"] == {
            "bin": bins[0],
            "family": world.family,
            "thickness": {"value": "2.575", "unit": "mm"},
            "condition": "new",
            "quantity": 17,
            "was": 20,
        }
        assert [row["number"] for row in walk(world.program, f"{run}/rows?fate=new", 1)] == [4]
        before = Movement.objects.count()
        assert world.program.done(f"{run}/apply")["state"] == "applying"
        assert Movement.objects.count() == before
        work_once()
        assert world.program.get(run).json()["state"] == "applied"
        stock = world.program.get(f"/stock?bin={bins[0]}").json()["items"]
        assert [item["on_hand"] for item in stock] == [17]
        again = world.program.act(f"{run}/apply")
        assert again.status_code == 409

    def test_with_a_wrong_row_is_not_applied(self, world):
        good = f"{world.bin('2.575')},{world.family},2.575,new,17"
        run = judged(world, good, "Z9,disc29,2.575,new,1")
        seen = world.program.get(run).json()
        assert (seen["state"], seen["wrong"]) == ("refused", 1)
        (wrong,) = world.program.get(f"{run}/rows?fate=wrong").json()["items"]
        assert wrong["number"] == 3
        assert "no bin Z9" in wrong["message"]
        assert world.program.act(f"{run}/apply").status_code == 409

    def test_that_is_none_is_refused_with_the_reason(self, world):
        for name, data, said in [
            ("drawers.csv", b"bin,family\xff\n", "UTF-8"),
            ("drawers.txt", b"a,b\n", "csv"),
            ("drawers.xlsx", b"a,b\n", "xlsx"),
            ("drawers.csv", b"PK\x03\x04 and so on", "csv"),
        ]:
            response = world.program.post("/imports", table(world) | {"file": File(name, data)})
            assert response.status_code == 400, name
            assert response.json()["errors"][0]["pointer"] == "/file"
            assert said in response.json()["detail"].lower() or said in response.json()["detail"]

    def test_called_off_before_it_is_judged_is_not_judged(self, world):
        run = staged(world)
        world.program.done(f"{run}/cancel")
        work_once()
        seen = world.program.get(run).json()
        assert (seen["state"], seen["rows"]) == ("cancelled", 0)
        assert Task.objects.get(pk=seen["task"]).state == Task.State.CANCELLED

    def test_called_off_before_it_is_applied_leaves_the_books_alone(self, world):
        run = judged(world)
        world.program.done(f"{run}/apply")
        before = Movement.objects.count()
        assert world.program.act(f"{run}/cancel").json()["state"] == "cancelled"
        work_once()
        assert Movement.objects.count() == before
        assert world.program.get(run).json()["state"] == "cancelled"
        assert world.program.act(f"{run}/cancel").status_code == 409

    def test_that_is_applied_cannot_be_called_off(self, world):
        run = judged(world)
        world.program.done(f"{run}/apply")
        work_once()
        assert world.program.act(f"{run}/cancel").status_code == 409
        assert world.program.get(run).json()["state"] == "applied"

    def test_is_seen_by_nobody_who_may_not_bring_one_in(self, world, technician):
        run = staged(world)
        other = program(technician, world.site)
        assert [other.get(path).status_code for path in ("/imports", run, f"{run}/rows")] == [403] * 3


class TestTheSameRequest:
    """The fingerprint: the file counts by its name and by what is in it, its wrapping does not."""

    def test_wrapped_in_another_way_gets_the_first_answer(self, world):
        body = table(world, f"{world.bin('2.575')},{world.family},2.575,new,17")
        first = world.program.post("/imports", body, key="k")
        other = "----another-boundary"
        again = world.program.post(
            "/imports",
            encode_multipart(other, dict(reversed(body.items()))),
            content_type=f"multipart/form-data; boundary={other}",
            key="k",
        )
        assert again.content == first.content
        assert again["Idempotency-Replayed"] == "true"
        assert ImportRun.objects.count() == 1

    @pytest.mark.parametrize(
        "other",
        [{"file": File("drawers.csv", HEADINGS.encode() + b"x")}, {"file": File("b.csv", HEADINGS.encode())}],
        ids=["another content", "another name"],
    )
    def test_with_another_file_is_422(self, world, other):
        body = table(world)
        assert world.program.post("/imports", body, key="k").status_code == 201
        assert world.program.post("/imports", body | other, key="k").status_code == 422
        assert ImportRun.objects.count() == 1


class TestHostileBodies:
    @pytest.fixture
    def good(self, world):
        return encode_multipart(BOUNDARY, table(world, f"{world.bin('2.575')},disc29,2.575,new,17"))

    def send(self, world, data, content_type=MULTIPART):
        response = world.program.post("/imports", data, content_type=content_type)
        check_problem(response)
        assert ImportRun.objects.count() == 0
        return response

    def test_one_that_broke_off_is_refused_wherever_it_ended(self, world, good):
        for end in (1, 40, len(good) // 2, len(good) - 10, len(good) - 3):
            assert self.send(world, good[:end]).status_code == 400, end

    def test_one_that_is_shorter_than_it_says_is_refused(self, world, good):
        response = world.program.client.generic(
            "POST",
            f"{API}/imports",
            headers={"Authorization": f"Bearer {world.program.text}", "Idempotency-Key": "k"},
            # As a server gives it that whose client has gone.
            **{
                "wsgi.input": io.BytesIO(good[:-40]),
                "CONTENT_LENGTH": f"{len(good)}",
                "CONTENT_TYPE": MULTIPART,
            },
        )
        assert response.status_code == 400
        assert ImportRun.objects.count() == 0

    @pytest.mark.parametrize(
        "content_type",
        [
            "application/json",
            "text/csv",
            "multipart/mixed; boundary=x",
            "application/x-www-form-urlencoded",
            "",
        ],
    )
    def test_another_type_is_415(self, world, good, content_type):
        response = self.send(world, good, content_type)
        assert response.status_code == 415
        assert "multipart/form-data" in response.json()["detail"]

    @pytest.mark.parametrize(
        "content_type",
        ["multipart/form-data", "multipart/form-data; boundary=", "multipart/form-data; boundary=other"],
    )
    def test_a_boundary_that_is_missing_or_anothers_is_400(self, world, good, content_type):
        assert self.send(world, good, content_type).status_code == 400

    @pytest.mark.parametrize(
        ("change", "pointer"),
        [
            ({"kind": "recipes"}, "/kind"),
            ({"kind": ""}, "/kind"),
            ({"kind": "sto\0ck"}, "/kind"),
            ({"kind": ["stock", "bins"]}, "/kind"),
            ({"kind": File("kind", b"stock")}, "/kind"),
            ({"file": "bin,family\n"}, "/file"),
            ({"file": [File("a.csv", b"a"), File("b.csv", b"b")]}, "/file"),
            ({"file": File("drawers.csv", b"")}, "/file"),
            ({"file": File("d" * 200 + ".csv", b"a,b\n")}, "/file"),
            ({"second": File("drawers.csv", b"a,b\n")}, "/second"),
            ({"id": "1"}, "/id"),
        ],
        ids=str,
    )
    def test_a_part_that_is_not_right_is_named(self, world, change, pointer):
        response = self.send(world, encode_multipart(BOUNDARY, table(world) | change))
        assert response.status_code == 400
        assert response.json()["errors"][0]["pointer"] == pointer

    def test_a_text_that_is_not_utf_8_is_refused(self, world):
        data = encode_multipart(BOUNDARY, table(world) | {"kind": "stXck"}).replace(b"stXck", b"st\xffck")
        assert self.send(world, data).status_code == 400

    def test_a_name_twice_is_refused(self, world, good):
        part = b'--%s\r\nContent-Disposition: form-data; name="kind"\r\n\r\nbins\r\n' % BOUNDARY.encode()
        assert self.send(world, part + good).json()["errors"][0]["pointer"] == "/kind"

    def test_a_thousand_parts_are_refused(self, world):
        many = {f"field{number}": "x" for number in range(1_100)}
        assert self.send(world, encode_multipart(BOUNDARY, table(world) | many)).status_code == 400

    def test_a_path_in_the_files_name_is_no_path(self, world, good):
        data = good.replace(b'filename="drawers.csv"', b'filename="../../etc/dra\twers.csv"')
        response = world.program.post("/imports", data, content_type=MULTIPART)
        assert response.status_code == 201
        assert response.json()["file_name"] == "drawers.csv"


class TestSize:
    def test_a_file_of_more_than_a_mebibyte_is_taken_here(self, world):
        row = f"{world.bin('2.575')},{world.family},2.575,new,17\n"
        data = (HEADINGS + row * 45_000).encode()
        assert len(data) > 1024 * 1024
        response = world.program.post("/imports", table(world) | {"file": File("d.csv", data)})
        assert response.status_code == 201

    def test_at_the_limit_the_file_is_named_and_above_it_the_body(self, world):
        large = File("d.csv", b"x" * (16 * 1024 * 1024 + 1))
        response = world.program.post("/imports", table(world) | {"file": large})
        assert response.status_code == 400
        assert "16 MiB is the most" in response.json()["detail"]
        too_large = File("d.csv", b"x" * (16 * 1024 * 1024 + 80 * 1024))
        assert world.program.post("/imports", table(world) | {"file": too_large}).status_code == 413

    def test_elsewhere_the_limit_is_what_it_was(self, world):
        run = judged(world)
        body = json.dumps({"note": "x" * 1024 * 1024})
        assert world.program.post(f"{run}/apply", body, if_match="*").status_code == 413


class TestExports:
    @pytest.mark.parametrize("kind", sorted(kind.code for kind in kinds()))
    def test_every_kind_comes_back_as_it_went(self, world, kind):
        world.program.done("/engine-types", engine())
        data = exported(world, kind)
        if data.count(b"\n") < 2:
            assert kind == "prices"  # nobody sells by a price list here
            return
        body = table(world, kind=kind) | {"file": File("back.csv", data)}
        run = f"/imports/{world.program.done('/imports', body)['id']}"
        work_once()
        seen = world.program.get(run).json()
        assert seen["state"] == "checked", seen
        assert seen["same"] == seen["rows"] == data.count(b"\r\n") - 1

    def test_a_workbook_has_the_same_rows(self, world):
        lines = exported(world).decode().splitlines()
        response = world.program.get("/exports/stock?format=xlsx")
        assert response["Content-Disposition"] == 'attachment; filename="stock-north.xlsx"'
        sheet = load_workbook(io.BytesIO(response.content)).active
        rows = [",".join(str(cell) for cell in row) for row in sheet.iter_rows(values_only=True)]
        assert rows == lines

    def test_what_is_asked_for_wrongly_is_said(self, world):
        for path, status, said in [
            ("/exports/recipes", 404, "engine-types"),
            ("/exports/stock?format=pdf", 400, "csv, xlsx"),
            ("/exports/stock?site=harbour", 404, "no such thing"),
            ("/exports/stock?sites=north", 400, "known are: site, format"),
        ]:
            response = world.program.get(path)
            assert response.status_code == status
            assert said in response.json()["detail"]

    def test_head_and_accept(self, world):
        for accept, status in [("text/csv", 200), ("*/*", 200), ("image/png", 406), ("text/html", 406)]:
            response = world.program.get("/exports/stock", Accept=accept)
            assert response.status_code == status, accept
        head = world.program.client.head(
            f"{API}/exports/stock", headers={"Authorization": f"Bearer {world.program.text}"}
        )
        assert head.status_code == 200
        assert b"".join(head) == b""
        assert world.program.client.get(f"{API}/exports/stock").status_code == 401


def engine():
    thou = {"min": {"value": "6", "unit": "thou"}, "max": {"value": "10", "unit": "thou"}}
    return {
        "code": "flat-1",
        "name": "Flat single",
        "cylinders": 1,
        "intake_per_cylinder": 1,
        "exhaust_per_cylinder": 1,
        "family": "disc29",
        "intake": thou,
        "exhaust": thou,
        "spec_source": "invented",
    }
