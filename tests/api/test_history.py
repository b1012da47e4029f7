"""GET /history, GET /journeys, GET /stock?as_of=…, GET /stale: what was, and what lies too long."""

import uuid
from datetime import UTC, datetime, timedelta

import pytest

from inventory.models import Balance, Condition, PlaceKind
from inventory.services.catalogue import add_tray
from inventory.services.fitting import Fitted, OneShim, fit_shims
from inventory.services.floor import Shims, move_shims, scrap_shims
from shop.actor import actor_for_user
from tests.api.test_pages_of_lists import walk
from tests.api.test_query_counts import queries
from tests.jobs.shop import AT, HOUR

pytestmark = pytest.mark.django_db


def sent(moment):
    return moment.isoformat().replace("+00:00", "Z")


def lines(world, query=""):
    return [
        (item["reason"], item["place"], item["thickness"]["value"], item["quantity"])
        for item in world.program.get(f"/history?{query}").json()["items"]
    ]


@pytest.fixture
def told(world, manager):
    """After the opening count, hour by hour: two moved, one scrapped. At each hour, what the bins held."""
    actor = actor_for_user(manager, request_id="r")
    one, other = world.shop.bin("2.575"), world.shop.bin("2.625")
    hours = [(AT, bins_now(world))]
    acts = (
        lambda at, shims: move_shims(site=world.site, actor=actor, at=at, source=one, shims=shims),
        lambda at, shims: scrap_shims(
            site=world.site, actor=actor, at=at, source=one, shims=shims, note="bent"
        ),
    )
    for number, act in enumerate(acts, start=1):
        line = Balance.objects.select_related("family").get(place=one, on_hand__gt=0)
        act(AT + number * HOUR, [shims(line, 3 - number, other)])
        hours.append((AT + number * HOUR, bins_now(world)))
    return hours


def shims(line, quantity, target):
    from_line = {"family": line.family, "thickness_nm": line.thickness_nm, "condition": line.condition}
    return Shims(**from_line, quantity=quantity, place=target)


def bins_now(world):
    rows = Balance.objects.filter(site=world.site, place__kind=PlaceKind.BIN, on_hand__gt=0)
    return {(row.place.code, row.thickness_nm, row.condition): row.on_hand for row in rows}


class TestHistory:
    def test_newest_first_page_by_page(self, world, told):
        whole = world.program.get("/history?limit=200").json()["items"]
        assert walk(world.program, "/history", 2) == whole
        assert [item["reason"] for item in whole[:4]] == ["scrap", "scrap", "move", "move"]
        bin_ = world.bin("2.575")
        in_order = world.program.get(f"/history?place={bin_}&limit=200").json()["items"]
        assert walk(world.program, f"/history?place={bin_}", 1) == in_order
        assert {item["place"] for item in in_order} == {bin_}

    def test_by_place_size_reason_person_and_time(self, world, told):
        one, other = world.bin("2.575"), world.bin("2.625")
        moved = [("move", other, "2.575", 2)]
        assert lines(world, f"place={other}&reason=move") == moved
        assert lines(world, f"place={one}") == [
            ("scrap", one, "2.575", -1),
            ("move", one, "2.575", -2),
            ("count", one, "2.575", 20),
        ]
        assert len(lines(world, f"family={world.family}&thickness_min=2.6mm")) == 4
        assert lines(world, "thickness_min=2.6mm&thickness_max=2.61mm&condition=new") == []
        assert len(lines(world, "person=mara")) == 4
        since, until = sent(AT + HOUR), sent(AT + 2 * HOUR)
        assert {row[0] for row in lines(world, f"from={since}")} == {"move", "scrap"}
        assert {row[0] for row in lines(world, f"to={since}")} == {"count"}
        assert {row[0] for row in lines(world, f"from={since}&to={until}")} == {"move"}
        assert lines(world, "job=0190b0a0-0000-7000-8000-000000000000") == []

    @pytest.mark.parametrize(
        ("query", "status"),
        [
            ("place=nowhere", 404),
            ("family=nowhere", 404),
            ("person=odo", 404),
            ("person=nobody", 404),
            ("from=yesterday", 400),
            ("from=2026-03-02T08:30:00", 400),
            ("from=0001-01-01T00:00:00%2B14:00", 400),
            ("reason=nothing", 400),
            ("from=2026-03-02T08:30:00Z&to=2026-03-01T08:30:00Z", 400),
            ("thickness_min=2.6mm&thickness_max=2.5mm", 400),
        ],
    )
    def test_what_is_not_there_or_makes_no_sense(self, world, outsider, query, status):
        assert world.program.get(f"/history?{query}").status_code == status


class TestStockAsOf:
    def test_it_is_what_the_bins_held_at_every_hour(self, world, told):
        for hour, held in told:
            items = walk(world.program, f"/stock?as_of={sent(hour + HOUR / 2)}", 2)
            found = {
                (item["bin"], round(float(item["thickness"]["value"]) * 1e6), item["condition"]): item[
                    "on_hand"
                ]
                for item in items
            }
            assert found == held
            assert {(item["held"], item["available"]) for item in items} == {(None, None)}

    def test_filters(self, world, told):
        then = sent(AT)
        one = world.bin("2.575")
        for query, count in ((f"bin={one}", 1), ("condition=used", 1), ("family=none", 0)):
            assert len(world.program.get(f"/stock?as_of={then}&{query}").json()["items"]) == count
        assert world.program.get("/stock?as_of=2020-01-01T00:00:00Z").json()["items"] == []

    def test_the_future_is_not_known(self, world):
        later = sent(datetime.now(UTC) + timedelta(days=1))
        refused = world.program.get(f"/stock?as_of={later}")
        assert refused.status_code == 400
        assert refused.json()["errors"][0]["pointer"] == "?as_of"


class TestStockElsewhere:
    def test_what_waits_in_receiving_at_inspection_and_in_trays(self, world):
        world.in_receiving()
        world.at_inspection()
        world.program.done(f"{world.held()}/hand-out")
        for kind in (PlaceKind.BIN, PlaceKind.RECEIVING, PlaceKind.INSPECTION, PlaceKind.TRAY):
            items = walk(world.program, f"/stock?place_kind={kind}", 1)
            rows = Balance.objects.filter(site=world.site, place__kind=kind, on_hand__gt=0)
            assert sorted((item["bin"], item["on_hand"], item["held"]) for item in items) == sorted(
                rows.values_list("place__code", "on_hand", "held")
            )
            assert items
        assert walk(world.program, "/stock?place_kind=bin", 3) == walk(world.program, "/stock", 3)
        assert world.program.get("/stock?place_kind=transit").json()["items"] == []
        refused = world.program.get("/stock?place_kind=supplier")
        assert "takes one of bin, receiving, inspection, tray, transit" in refused.json()["detail"]

    def test_as_it_was_before_it_was_put_away(self, world):
        world.in_receiving()
        then = sent(datetime.now(UTC))
        line = world.line("2.575", quantity=2)
        world.program.done("/stock/put-away", {"lines": [line]})
        assert world.program.get("/stock?place_kind=receiving").json()["items"] == []
        (item,) = world.program.get(f"/stock?place_kind=receiving&as_of={then}").json()["items"]
        assert (item["bin"], item["on_hand"]) == ("receiving", 2)

    def test_another_sites_does_not_show(self, world, stranger):
        world.in_receiving()
        assert stranger.get("/stock?place_kind=receiving").json()["items"] == []


class TestStale:
    def test_what_lies_in_receiving_and_at_inspection(self, world):
        world.in_receiving()
        world.at_inspection()
        assert world.program.get("/stale").json()["items"] == []
        items = walk(world.program, "/stale?days=0", 1)
        assert [(item["place_kind"], item["on_hand"]) for item in items] == [
            ("receiving", 2),
            ("inspection", 1),
        ]
        only = world.program.get("/stale?days=0&place_kind=inspection").json()["items"]
        assert only == items[1:]
        assert walk(world.program, f"/stale?days=0&family={world.family}", 1) == items
        assert world.program.get("/stale?days=0&family=none").json()["items"] == []
        assert walk(world.program, "/stale?days=0&ordering=-since", 1) == items[::-1]
        places = walk(world.program, "/stale?days=0&ordering=place", 1)
        assert [item["place"] for item in places] == sorted(item["place"] for item in items)

    def test_another_sites_does_not_show(self, world, stranger):
        world.in_receiving()
        assert stranger.get("/stale?days=0").json()["items"] == []


class TestJourneys:
    @pytest.fixture
    def swapped(self, world, manager):
        """Two used shims out of a first engine; one of them goes into a second, one back into the first; and
        one that was counted in goes into the second, too. Newest first: jobs, thickness in micrometres."""
        actor = actor_for_user(manager, request_id="r")
        tray = add_tray(site=world.site, actor=actor, code="T1")
        first, second = (uuid.UUID(int=0x01900000_0000_7000_8000_000000000000 + n) for n in (1, 2))
        new = (2_575, world.shop.bin("2.575"))
        acts = (
            (first, (2_640, 2_660), (new,)),
            (second, (), ((2_640, tray), (2_600, world.shop.bin("2.600")))),
            (first, (), ((2_660, tray),)),
        )

        def shim(um):
            condition = Condition.NEW if um == new[0] else Condition.USED
            return OneShim(family_id=world.shop.family.pk, thickness_nm=um * 1_000, condition=condition)

        for number, (job, pulled, fitted) in enumerate(acts, start=1):
            fit_shims(
                site=world.site,
                actor=actor,
                at=AT + 30 * number * HOUR,
                tray=tray,
                pulled=list(map(shim, pulled)),
                fitted=[Fitted(shim=shim(um), source=source) for um, source in fitted],
                job_id=job,
                document=f"Job {number}",
            )
        return first, second

    def test_newest_first_page_by_page(self, world, swapped):
        first, second = map(str, swapped)
        whole = world.program.get("/journeys").json()["items"]
        assert [
            (item["came_out"] and item["came_out"]["job"], item["went_in"]["job"], item["days"])
            for item in whole
        ] == [(first, first, 2), (None, second, None), (first, second, 1)]
        assert [item["went_in"]["thickness"]["value"] for item in whole] == ["2.66", "2.6", "2.64"]
        assert [item["certain"] for item in whole] == [True, False, True]
        assert [item["could_be"] for item in whole] == [[first], [None], [first]]
        assert walk(world.program, "/journeys", 1) == walk(world.program, "/journeys", 2) == whole
        for end in (whole[0]["came_out"], whole[0]["went_in"]):
            movement = world.program.get(f"/movements/{end['movement']}").json()
            assert (movement["at"], movement["job"]) == (end["at"], end["job"])
        (only,) = world.program.get("/journeys?same_engine=true&fields=days,family").json()["items"]
        assert only == {"days": 2, "family": world.family}

    def test_page_and_endpoint_tell_the_same(self, client, manager, world, swapped):
        client.force_login(manager)
        page = client.get(f"/at/{world.site.code}/journeys?family={world.family}&swaps=on")
        told = world.program.get(f"/journeys?family={world.family}").json()["items"]
        assert [str(shim.into.uid) for shim in page.context["shims"]] == [
            item["went_in"]["movement"] for item in told
        ]

    @pytest.mark.parametrize("query", ["family=nowhere", "site=harbour", "site=nowhere"])
    def test_what_is_not_there(self, world, other_site, query):
        assert world.program.get(f"/journeys?{query}").status_code == 404

    def test_another_sites_do_not_show(self, world, stranger, swapped):
        assert stranger.get("/journeys").json()["items"] == []
        assert stranger.get(f"/journeys?job={swapped[0]}").json()["items"] == []

    def test_as_many_queries_for_many(self, world, swapped):
        few, _ = queries(world.program, "/journeys?limit=1")
        many, _ = queries(world.program, "/journeys")
        assert few == many <= 10
