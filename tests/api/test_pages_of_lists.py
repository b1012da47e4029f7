"""Lists a page at a time (bar A7): everything once, whatever comes and goes; cursors of one list only."""

import threading
from datetime import UTC, datetime

import pytest
from django.db import connection

from inventory.models import Hold
from jobs.models import Vehicle
from tests.api.program import program

AT = datetime(2026, 3, 2, tzinfo=UTC)


def walk(key, path, limit):
    """Every item of a list, page by page."""
    items, cursor = [], None
    joint = "&" if "?" in path else "?"
    while True:
        page = key.get(f"{path}{joint}limit={limit}" + (f"&cursor={cursor}" if cursor else "")).json()
        assert len(page["items"]) <= limit
        items += page["items"]
        cursor = page["next_cursor"]
        if cursor is None:
            return items
        assert len(page["items"]) == limit


@pytest.fixture
def holds(world):
    """1,000 holds of which 500 were made at the same moment."""
    Hold.objects.bulk_create(
        Hold(
            site=world.site,
            reference=f"h{number}",
            created_at=AT if number < 500 else AT.replace(minute=number % 60, hour=number % 24),
            created_by="test",
            state="released",
            resolved_at=AT,
        )
        for number in range(1_000)
    )
    return world


def test_every_row_is_seen_once_in_order(holds):
    items = walk(holds.program, "/holds", 7 * 13)
    assert len(items) == len({item["id"] for item in items}) == 1_000
    assert items == sorted(items, key=lambda item: (item["created_at"], item["id"]), reverse=True)


def test_rows_that_come_and_go_meanwhile_move_nothing(holds):
    """Between the pages some rows vanish and others appear; what was there throughout is seen once."""
    stays = set(map(str, Hold.objects.values_list("id", flat=True)[200:900]))
    goes = list(Hold.objects.exclude(id__in=stays).values_list("id", flat=True))
    seen, cursor = [], None
    while True:
        page = holds.program.get("/holds?limit=40" + (f"&cursor={cursor}" if cursor else "")).json()
        seen += [item["id"] for item in page["items"]]
        cursor = page["next_cursor"]
        if cursor is None:
            break
        Hold.objects.filter(id__in=[goes.pop() for _ in range(min(5, len(goes)))]).delete()
        Hold.objects.create(
            site=holds.site, reference="new", created_at=AT, created_by="t", state="released", resolved_at=AT
        )
    assert len(seen) == len(set(seen))
    assert stays <= set(seen)


@pytest.mark.long
def test_ten_thousand_rows_while_another_thread_writes(site, calculator, transactional_db):
    """Bar A7 in full."""
    rows = [
        Hold(
            site=site,
            reference=f"h{number}",
            created_at=AT if number < 500 else AT.replace(minute=number % 60, hour=number % 24),
            created_by="test",
            state="released",
            resolved_at=AT,
        )
        for number in range(10_000)
    ]
    Hold.objects.bulk_create(rows)
    kept = {str(row.pk) for row in rows[:9_000]}
    over = threading.Event()

    def disturb():
        for row in rows[9_000:]:
            if over.is_set():
                break
            Hold.objects.filter(pk=row.pk).delete()
            Hold.objects.create(
                site=site, reference="new", created_at=AT, created_by="t", state="released", resolved_at=AT
            )
        connection.close()

    thread = threading.Thread(target=disturb)
    thread.start()
    seen = [item["id"] for item in walk(calculator, "/holds", 7)]
    over.set()
    thread.join()
    assert len(seen) == len(set(seen))
    assert kept <= set(seen)


def test_without_a_limit_a_page_has_50_and_never_more_than_200(holds):
    """Bar L20: the limit itself is right, one more is refused and says what would be right."""
    assert len(holds.program.get("/holds").json()["items"]) == 50
    assert len(holds.program.get("/holds?limit=200").json()["items"]) == 200
    for more in (201, 100_000):
        refused = holds.program.get(f"/holds?limit={more}")
        assert refused.status_code == 400
        assert refused.json()["type"] == "/api/problems/invalid-query"
        assert refused.json()["errors"] == [
            {"pointer": "?limit", "detail": "takes a whole number, at least 1 and at most 200"}
        ]


def test_stock_is_walked_in_its_order(world):
    world.shop.stock(*((f"2.{number:03d}", "new", 1) for number in range(100, 400, 25)))
    items = walk(world.program, "/stock", 2)
    assert items == world.program.get("/stock?limit=200").json()["items"]
    thicknesses = [float(item["thickness"]["value"]) for item in items]
    assert thicknesses == sorted(thicknesses)
    assert len(items) == 15


class TestCursors:
    @pytest.fixture
    def cursor(self, holds):
        return holds.program.get("/holds?limit=1").json()["next_cursor"]

    def test_a_tampered_one_is_400(self, holds, cursor):
        flipped = cursor[:5] + ("A" if cursor[5] != "A" else "B") + cursor[6:]
        for bad in (flipped, cursor[:-1], cursor + "x", "x", "cD1hYmM=", "cD0lMDA=", "é", "null", "W10"):
            response = holds.program.get(f"/holds?cursor={bad}")
            assert response.status_code == 400, bad
            assert response.json()["type"] == "/api/problems/bad-cursor"

    @pytest.mark.parametrize("path", ["/holds?state=held", "/jobs?", "/stock?", "/holds?site=north"])
    def test_one_of_another_list_or_filter_is_400(self, holds, cursor, path):
        response = holds.program.get(f"{path}&cursor={cursor}")
        assert response.status_code == 400
        assert response.json()["type"] == "/api/problems/bad-cursor"

    def test_one_of_another_credential_is_400(self, holds, cursor, manager, stranger):
        for other in (program(manager, holds.site), stranger):
            assert other.get(f"/holds?cursor={cursor}").status_code == 400

    def test_an_empty_one_is_400(self, holds):
        assert holds.program.get("/holds?cursor=").status_code == 400

    def test_it_is_the_same_for_the_same_page(self, holds, cursor):
        assert holds.program.get("/holds?limit=1").json()["next_cursor"] == cursor


class TestFilters:
    def test_a_filter_of_a_list_reaches_all_pages(self, world):
        for _ in range(5):
            world.vehicle()
        Vehicle.objects.filter(registration="K 3").update(registration="K 3X")
        assert [
            item["registration"]
            for item in world.program.get("/vehicles?registration=k%203x").json()["items"]
        ] == ["K 3X"]

    def test_holds_by_state_job_and_reference(self, world):
        one, two = world.hold(reference="one"), world.hold(reference="two")
        world.program.done(f"/holds/{one['id']}/release")
        ids = {
            query: [item["id"] for item in world.program.get(f"/holds?{query}").json()["items"]]
            for query in ("state=held", "state=released", "reference=two", "reference=three")
        }
        assert ids == {
            "state=held": [two["id"]],
            "state=released": [one["id"]],
            "reference=two": [two["id"]],
            "reference=three": [],
        }

    def test_jobs_by_state_openness_and_vehicle(self, world):
        job, other = world.job(), world.planned()
        world.program.done(f"{job}/stop", {"note": "sold"})
        vehicle = world.program.get(other).json()["vehicle"]
        found = {
            query: [item["id"] for item in world.program.get(f"/jobs?{query}").json()["items"]]
            for query in ("open=true", "open=false", "state=planned", f"vehicle={vehicle}", "state=held")
        }
        mine, stopped = [other.rpartition("/")[2]], [job.rpartition("/")[2]]
        assert list(found.values()) == [mine, stopped, mine, mine, []]

    def test_stock_by_thickness_condition_and_bin(self, world):
        def found(query):
            return [
                item["thickness"]["value"] for item in world.program.get(f"/stock?{query}").json()["items"]
            ]

        assert found("thickness_min=2.6mm") == ["2.6", "2.625"]
        assert found("thickness_max=2600um") == ["2.575", "2.6"]
        assert found("condition=used") == ["2.6"]
        assert found(f"bin={world.bin('2.625')}") == ["2.625"]
        assert found(f"family={world.family}&thickness_min=2.6mm&thickness_max=2.6mm") == ["2.6"]
        assert found("family=none-such") == []

    def test_movements_by_job_reason_bin_and_document(self, world):
        job = world.fitted().rpartition("/")[2]
        document = world.hold()["reference"]
        hold = world.program.get(f"/holds?reference={document.replace(' ', '%20')}").json()["items"][0]
        world.program.done(f"/holds/{hold['id']}/fit")

        def reasons(query):
            return [item["reason"] for item in world.program.get(f"/movements?{query}").json()["items"]]

        assert reasons(f"job={job}") == ["fit", "pull", "hand_out"]
        assert reasons("reason=pull") == ["pull"]
        assert reasons(f"document={document.replace(' ', '%20')}") == ["fit"]
        assert reasons(f"bin={world.bin('2.625')}") == ["count"]
