"""Counts over the API: blind until they are settled, and what becomes of a difference."""

import json
from datetime import timedelta

import pytest
from django.utils import timezone

from inventory.models import BinCount, TalliedLot
from inventory.selectors.audit import audit
from tests.api.counting import as_json, differing, opened, place_of
from tests.api.program import program
from tests.api.world import length
from tests.counting import in_it

pytestmark = pytest.mark.django_db

# No other figure of the world is one of these: what the bin's lots hold, and what is counted and so the
# differences, +17 and +15.
EXPECTED, COUNTED, FEWER = 4321, 4338, 4336


@pytest.fixture
def first(technician, world):
    return program(technician, world.site)


@pytest.fixture
def second(counter, world):
    return program(counter, world.site)


@pytest.fixture
def bin_full(world):
    """A bin in which the books have 4,321 new shims of 2.750 mm and two used ones."""
    place = place_of(world, "2.750")
    world.shop.stock(("2.750", "new", EXPECTED))
    line = world.line("2.750", "used", 2) | {"thickness": length("2.747")}
    world.program.done("/stock/count-in", {"note": "found", "lines": [line]})
    return place


def found(place, counted):
    """Every lot as the books have it, but so many new ones."""
    lots = as_json(in_it(place))["found"]
    return {"found": [lot | {"quantity": counted if lot["condition"] == "new" else 2} for lot in lots]}


def numbers_in(value):
    """Every number and every text that is one, wherever it stands in an answer."""
    if isinstance(value, dict):
        for inner in value.values():
            yield from numbers_in(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from numbers_in(inner)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield abs(value)
    elif isinstance(value, str):
        yield from (int(part) for part in value.replace("-", " ").split() if part.isdigit())


def tells(answers, *figures):
    """The figures that occur anywhere in these answers."""
    texts = [answer.content.decode() for answer in answers]
    seen = {number for text in texts for number in numbers_in(json.loads(text))}
    return {figure for figure in figures if figure in seen}


def looks(*programs):
    """What each program is told of counts, wherever it asks."""
    for each in programs:
        for path in ("/counts", "/counts/due?most=200", "/counts/variance"):
            yield each.get(path)
        for row in each.get("/counts").json()["items"]:
            yield each.get(f"/counts/{row['id']}")


class TestBlind:
    FIGURES = (EXPECTED, COUNTED, FEWER, COUNTED - EXPECTED, FEWER - EXPECTED)

    def test_until_it_is_settled_nobody_is_told_a_figure(self, world, first, second, bin_full):
        """Through every state before two persons found the same, for everybody, in refusals too."""
        everybody = (first, second, world.program)
        count = opened(world, "2.750")
        answers = [first.act(f"{count}/begin"), *looks(*everybody)]
        answers.append(first.act(f"{count}/key", {"found": []}))
        answers.append(first.act(f"{count}/key", found(bin_full, COUNTED)))
        assert answers[-1].json()["state"] == "again"
        answers += looks(*everybody)
        answers.append(first.act(f"{count}/begin"))
        answers.append(second.act(f"{count}/begin"))
        answers += looks(*everybody)
        answers.append(second.act(f"{count}/key", found(bin_full, FEWER)))
        assert answers[-1].json()["state"] == "again"
        answers += looks(*everybody)
        for act in ("post", "reject", "approve"):
            answers.append(world.program.act(f"{count}/{act}", {"note": "too soon"}))
        assert {answer.status_code for answer in answers} == {200, 400, 409}
        assert TalliedLot.objects.filter(possible=[17]).exists()
        assert tells(answers, *self.FIGURES) == set()
        assert '"possible"' not in "".join(answer.content.decode() for answer in answers)

        # And the walk sees them where they are told: once two have found the same.
        settled = first.act(f"{count}/key", found(bin_full, FEWER))
        assert settled.json()["state"] == "to_approve"
        assert tells([settled], *self.FIGURES) == {EXPECTED, FEWER, FEWER - EXPECTED}

    def test_one_that_is_called_off_stays_blind(self, world, first, bin_full):
        """The bin will be counted again, perhaps by the same people."""
        count = opened(world, "2.750")
        first.act(f"{count}/key", found(bin_full, COUNTED))
        answers = [world.program.act(f"{count}/cancel"), *looks(first, world.program)]
        assert answers[0].json()["state"] == "cancelled"
        assert tells(answers, *self.FIGURES) == set()

    def test_the_sheet_names_lots_and_is_the_counters_own(self, world, first, second, bin_full):
        count = opened(world, "2.750")
        sheet = first.act(f"{count}/begin").json()["sheet"]
        assert sheet == [
            {"family": world.family, "thickness": length("2.747"), "condition": "used"},
            {"family": world.family, "thickness": length("2.75"), "condition": "new"},
        ]
        assert second.get(count).json()["sheet"] is None
        assert first.get(count).json()["sheet"] == sheet

    def test_a_count_of_the_books_is_told_once_it_agrees(self, world, first, bin_full):
        count = opened(world, "2.750")
        told = first.act(f"{count}/key", found(bin_full, EXPECTED)).json()
        assert told["state"] == "agrees"
        assert [(lot["counted"], lot["books"], lot["difference"]) for lot in told["lots"]] == [
            (2, 2, 0),
            (EXPECTED, EXPECTED, 0),
        ]


class TestOpen:
    def test_a_bin_is_under_one_count_at_a_time(self, world):
        assert opened(world) == opened(world)
        assert BinCount.objects.count() == 1

    def test_inspection_too_and_nothing_else(self, world):
        assert world.program.done("/counts", {"place": "inspection"})["place_kind"] == "inspection"
        refused = world.program.post("/counts", {"place": "transit"})
        assert refused.status_code == 400
        assert refused.json()["errors"][0]["pointer"] == "/place"

    def test_filters(self, world):
        opened(world)
        world.program.done(f"{opened(world, '2.600')}/cancel")
        for query, codes in (
            ("state=open", [world.bin("2.575")]),
            ("state=cancelled", [world.bin("2.600")]),
            (f"place={world.bin('2.600')}", [world.bin("2.600")]),
            ("state=posted", []),
            ("limit=1", [world.bin("2.600")]),
        ):
            items = world.program.get(f"/counts?{query}").json()["items"]
            assert [item["place"] for item in items] == codes, query


class TestKey:
    def test_a_lot_that_is_left_out_and_figures_that_cannot_be(self, world, first):
        count = opened(world)
        line = {"family": world.family, "thickness": length("2.575"), "condition": "new"}
        for lots, pointer in (
            ([], "/found"),
            ([line | {"quantity": -1}], "/found/0/quantity"),
            ([line | {"quantity": 1}, line | {"quantity": 1}], "/found/1"),
            ([line | {"quantity": 1, "family": "none"}], "/found/0/family"),
            ([line | {"quantity": 1, "condition": "shiny"}], "/found/0/condition"),
            (
                [line | {"quantity": 1}, line | {"quantity": 1, "thickness": length("2.581")}],
                "/found/1/thickness",
            ),
        ):
            refused = first.act(f"{count}/key", {"found": lots})
            assert refused.status_code == 400
            assert [error["pointer"] for error in refused.json()["errors"]] == [pointer]

    def test_a_thickness_in_inches_is_kept_as_it_was_keyed(self, world, first, second):
        count = opened(world)
        lots = as_json(in_it(place_of(world)))["found"]
        lots.append(
            {
                "family": world.family,
                "thickness": length("0.1014", "in"),
                "condition": "used",
                "quantity": 1,
            }
        )
        first.act(f"{count}/key", {"found": lots})
        told = second.act(f"{count}/key", {"found": lots}).json()
        (extra,) = [lot for lot in told["lots"] if lot["difference"]]
        assert extra["thickness"] == length("0.1014", "in")
        assert (extra["counted"], extra["books"], extra["difference"]) == (1, 0, 1)

    def test_whoever_counted_last_does_not_confirm_themselves(self, world, first):
        count = opened(world)
        off = as_json(in_it(place_of(world), -1))
        first.act(f"{count}/key", off)
        refused = first.act(f"{count}/key", off)
        assert refused.status_code == 409
        assert refused.json()["type"] == "/api/problems/same-person"

    def test_one_that_is_over_is_not_keyed_again(self, world, first):
        count = opened(world)
        right = as_json(in_it(place_of(world)))
        assert first.act(f"{count}/key", right).status_code == 200
        assert first.act(f"{count}/key", right).status_code == 409


class TestDifference:
    def test_above_the_value_a_manager_approves(self, world, second):
        count = differing(world, -10)
        assert second.act(f"{count}/post").status_code == 409
        assert second.act(f"{count}/approve").status_code == 403
        approved = world.program.done(f"{count}/approve")
        assert (approved["state"], approved["gross_value"]) == ("differs", "34.000000")
        posted = second.done(f"{count}/post", {"note": "swept up"})
        assert posted["state"] == "posted"
        movement = world.program.get(f"/movements/{posted['movement']}").json()
        assert (movement["reason"], movement["note"]) == ("count", "swept up")
        assert audit() == []

    def test_rejected_and_counted_anew(self, world):
        rejected = world.program.done(
            f"{differing(world)}/reject", {"note": "wrong drawer", "count_anew": True}
        )
        assert (rejected["state"], rejected["note"]) == ("rejected", "wrong drawer")
        (anew,) = world.program.get("/counts?state=open").json()["items"]
        assert (anew["place"], anew["why"]) == (rejected["place"], "Count 1 was rejected: counted anew")

    def test_floor_work_meanwhile_is_no_difference(self, world, first, second):
        """One is missing all along. Four leave while the first counts, two more before the second does."""
        count, place = opened(world), place_of(world)
        first.act(f"{count}/begin")
        move = {"source": place.code, "lines": [world.line(quantity=4) | {"bin": world.bin("2.700")}]}
        world.program.done("/stock/move", move)
        assert first.act(f"{count}/key", as_json(in_it(place, -1))).json()["state"] == "again"
        world.program.done("/stock/move", move | {"lines": [move["lines"][0] | {"quantity": 2}]})
        told = second.act(f"{count}/key", as_json(in_it(place, -1))).json()
        assert told["state"] == "differs"
        assert [(lot["counted"], lot["books"], lot["difference"]) for lot in told["lots"]] == [(13, 14, -1)]
        # It goes on while the difference waits, and stays as it moved.
        world.program.done("/stock/move", move | {"lines": [move["lines"][0] | {"quantity": 3}]})
        second.done(f"{count}/post")
        assert [lot.quantity for lot in in_it(place)] == [10]
        assert audit() == []


class TestReports:
    def test_what_is_due_and_why(self, autumn, world):
        due = world.program.get("/counts/due?most=2").json()
        assert due["site"] == "north"
        assert [entry["why"] for entry in due["due"]] == [
            "slow mover: every 180 days, never counted yet",
            "slow mover: every 180 days, never counted yet",
        ]
        opened(world, "2.575")
        bins = [entry["bin"] for entry in world.program.get("/counts/due?most=200").json()["due"]]
        assert world.bin("2.575") not in bins

    def test_troubled_bins_come_first_then_the_fast(self, autumn, world):
        world.program.done(f"{differing(world, thickness='2.625')}/reject", {"note": "not believed"})
        world.program.done("/stock/count-in", {"note": "found", "lines": [world.line("2.600", "used")]})
        due = world.program.get("/counts/due?most=200").json()["due"]
        assert [(entry["bin"], entry["troubled"], entry["pace"]) for entry in due] == [
            (world.bin("2.625"), True, "slow"),
            (world.bin("2.600"), False, "fast"),
            (world.bin("2.575"), False, "slow"),
        ]

    def test_money_by_bin_by_family_and_in_all(self, world):
        differing(world, -2)
        differing(world, 1, thickness="2.600")
        report = world.program.get("/counts/variance").json()
        assert (report["counted"], report["differing"], report["unvalued"]) == (0, 2, 0)
        (total,) = report["totals"]
        # A new one costs 3.40, a used one counts half of that.
        assert {name: total[name] for name in ("gained", "lost", "net", "gross")} == {
            "gained": "1.700000",
            "lost": "-6.800000",
            "net": "-5.100000",
            "gross": "8.500000",
        }
        assert [(row["code"], row["surplus"], row["missing"]) for row in report["by_bin"]] == [
            (world.bin("2.575"), 0, 2),
            (world.bin("2.600"), 1, 0),
        ]
        assert [(row["code"], row["surplus"], row["missing"]) for row in report["by_family"]] == [
            (world.family, 1, 2)
        ]
        assert [(line["bin"], line["difference"], line["value"]) for line in report["lines"]] == [
            (world.bin("2.600"), 1, "1.700000"),
            (world.bin("2.575"), -2, "-6.800000"),
        ]

    def test_a_period(self, world):
        differing(world)
        now = timezone.now()

        def asked(**query):
            text = "&".join(f"{name}={moment:%Y-%m-%dT%H:%M:%SZ}" for name, moment in query.items())
            return world.program.get(f"/counts/variance?{text}").json()["differing"]

        hour = timedelta(hours=1)
        assert asked(since=now - hour, until=now + hour) == 1
        assert asked(since=now + hour) == asked(until=now - hour) == 0
        for wrong in ("yesterday", "2026-03-02", "2026-03-02T08:30:00"):
            assert world.program.get(f"/counts/variance?since={wrong}").status_code == 400
