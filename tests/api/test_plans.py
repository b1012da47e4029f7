"""POST /plans as DESIGN.md has it: the best plan, to the letter of the answer, and nothing written."""

import pytest
from django.db import connection

from api.plan_shapes import EXAMPLE
from inventory.models import Hold
from jobs.compute.planner import verify
from tests.api.plan_requests import engine, nm, plan_of, request_of
from tests.api.program import request_schema
from tests.api.test_kept_answers import no_writes
from tests.api.world import length, thou
from tests.compute.planner_oracles import by_shortest_paths


def plan(program, body, status=200):
    response = program.post("/plans", body, key=False)
    assert response.status_code == status, response.content
    return response.json()


def check_best(program, seed, **size):
    """The score is that of an independent optimum, and the assignment really has it."""
    problem = engine(seed, **size)
    answer = plan(program, request_of(problem, seed))
    best = by_shortest_paths(problem)
    assert tuple(answer["score"].values()) == best, seed
    assert verify(problem, plan_of(answer)) == []
    return answer


def test_200_random_engines_against_an_independent_optimum(calculator):
    """Kuhn's method by successive shortest paths in whole numbers (tests/compute/planner_oracles.py)."""
    actions = {valve["action"] for seed in range(200) for valve in check_best(calculator, seed)["valves"]}
    assert actions == {"keep", "swap", "stock", "buy", "unresolved", "measure"}


@pytest.mark.long
def test_1000_random_engines_against_an_independent_optimum(calculator):
    for seed in range(1_000, 2_000):
        check_best(calculator, seed)


@pytest.mark.parametrize("seed", range(5))
def test_the_same_request_gives_the_same_bytes(calculator, seed):
    body = request_of(engine(seed, valves=(16, 16), lots=(300, 300)), seed)
    first = calculator.post("/plans", body, key=False)
    assert {calculator.post("/plans", body, key=False).content for _ in range(3)} == {first.content}
    assert first.status_code == 200


def test_nothing_is_written(calculator):
    calculator.get("/me")
    with connection.execute_wrapper(no_writes):
        plan(calculator, EXAMPLE)


def test_an_idempotency_key_is_taken_and_means_nothing(calculator):
    first = calculator.post("/plans", EXAMPLE, key="k")
    other = calculator.post("/plans", EXAMPLE | {"catalogue": []}, key="k")
    assert (first.status_code, other.status_code) == (200, 200)
    assert "Idempotency-Replayed" not in calculator.post("/plans", EXAMPLE, key="k")


VALVE = {
    "label": "1-IN",
    "spec": {"min": thou("6"), "max": thou("10")},
    "clearance": {"passes": thou("5"), "stops": thou("6")},
    "shim": {"thickness": length("2.650"), "known_by": "measured"},
}


def body(*valves, **more):
    return {"stock": [], "catalogue": [], "valves": list(valves) or [VALVE]} | more


class TestAnswer:
    """Each action by hand: 5 thou called, 6 to 10 thou allowed, aim 8.4 thou; so about 0.086 mm thinner."""

    def test_from_the_stock_of_the_request(self, calculator):
        stock = [
            {"thickness": length("2.575"), "condition": "new", "quantity": 1},
            {"thickness": length("2560", "um"), "condition": "used", "quantity": 1},
        ]
        answer = plan(calculator, body(stock=stock))
        (valve,) = answer["valves"]
        # 0.127 + 2.650 - 2.560 = 0.217; less and more by 0.004 + 0.004; 0.1524 + 0.09 + 0.008 = 0.2504.
        assert valve == {
            "label": "1-IN",
            "verdict": "tight",
            "action": "stock",
            "shim": {"thickness": length("2560", "um"), "condition": "used", "from": {"stock": 1}},
            "clearance_after": {
                "low": length("0.209"),
                "called": length("0.217"),
                "high": length("0.2504"),
            },
            "guaranteed": True,
            "why": valve["why"],
        }
        assert answer["score"] == {
            "unresolved": 0,
            "bought": 0,
            "not_guaranteed": 0,
            "opened": 1,
            "stock_cost": 1,
            "deviation_nm": 3_640,  # |0.217 mm - 8.4 thou|
        }
        assert answer["left_over"] == [{"thickness": length("2.650"), "from": "1-IN"}]
        assert (answer["to_buy"], answer["to_measure"]) == ([], [])

    def test_bought_from_the_catalogue(self, calculator):
        answer = plan(calculator, body(catalogue=[length("2.575"), length("2.55"), length("2.550")]))
        (valve,) = answer["valves"]
        assert valve["action"] == "buy"
        assert valve["shim"] == {
            "thickness": length("2.575"),
            "condition": "new",
            "from": {"catalogue": True},
        }
        assert answer["to_buy"] == [{"thickness": length("2.575"), "quantity": 1}]

    def test_a_swap(self, calculator):
        tight = VALVE | {"shim": {"thickness": length("2.650"), "known_by": "measured"}}
        loose = VALVE | {
            "label": "2-IN",
            "clearance": {"passes": thou("11"), "stops": thou("12")},
            "shim": {"thickness": length("0.1015", "in"), "known_by": "measured"},
        }
        answer = plan(calculator, body(tight, loose))
        assert [valve["action"] for valve in answer["valves"]] == ["swap", "swap"]
        assert answer["valves"][0]["shim"] == {"thickness": length("0.1015", "in"), "from": {"valve": "2-IN"}}
        assert answer["valves"][1]["shim"] == {"thickness": length("2.650"), "from": {"valve": "1-IN"}}
        assert answer["left_over"] == []

    def test_kept(self, calculator):
        good = VALVE | {"clearance": {"passes": thou("8")}}
        (valve,) = plan(calculator, body(good))["valves"]
        assert valve["action"] == "keep"
        assert valve["verdict"] == "in_spec"
        assert valve["shim"] == {"thickness": length("2.650"), "from": None}
        assert [nm(valve["clearance_after"][name]) for name in ("low", "called", "high")] == [
            203_200,
            203_200,
            228_600,  # the next leaf, 0.001 in above
        ]
        assert valve["guaranteed"] is True

    def test_kept_and_not_known(self, calculator):
        (valve,) = plan(calculator, body(VALVE | {"clearance": {"passes": thou("10")}, "shim": None}))[
            "valves"
        ]
        assert (valve["action"], valve["verdict"], valve["shim"]) == ("keep", "at_limit", None)
        assert valve["clearance_after"] is not None
        assert valve["guaranteed"] is False

    def test_to_be_measured(self, calculator):
        answer = plan(calculator, body(VALVE | {"shim": None}))
        (valve,) = answer["valves"]
        assert answer["to_measure"] == ["1-IN"]
        assert valve["action"] == "measure"
        assert (valve["shim"], valve["clearance_after"], valve["guaranteed"]) == (None, None, None)
        assert set(answer["score"].values()) == {0}

    def test_unresolved(self, calculator):
        answer = plan(calculator, body())
        (valve,) = answer["valves"]
        assert valve["action"] == "unresolved"
        assert (valve["shim"], valve["clearance_after"], valve["guaranteed"]) == (None, None, None)
        assert answer["score"]["unresolved"] == answer["score"]["opened"] == 1
        assert answer["left_over"] == [{"thickness": length("2.650"), "from": "1-IN"}]

    def test_without_clearance_nothing_is_guaranteed(self, calculator):
        closed = VALVE | {"clearance": {"passes": thou("0"), "stops": thou("1")}}
        (valve,) = plan(calculator, body(closed, catalogue=[length("2.45")]))["valves"]
        assert (valve["action"], valve["guaranteed"]) == ("buy", False)
        assert "measure again" in valve["why"]

    def test_a_lash_ratio(self, calculator):
        answer = plan(calculator, body(lash_ratio="1.25", catalogue=[length("2.600")]))
        # 0.127 mm + 1.25 x 0.05 mm
        assert answer["valves"][0]["clearance_after"]["called"] == length("0.1895")

    def test_metric_readings_mean_the_next_metric_leaf(self, calculator):
        reading = VALVE | {"clearance": {"passes": length("0.20")}}
        (valve,) = plan(calculator, body(reading))["valves"]
        assert valve["clearance_after"]["high"] == length("0.21")


class TestFamilyAndSite:
    def test_the_familys_sizes_where_no_catalogue_is_given(self, world):
        asked = {"family": world.family, "stock": [], "valves": [VALVE]}
        (valve,) = plan(world.program, asked)["valves"]
        assert valve["shim"] == {
            "thickness": length("2.575"),
            "condition": "new",
            "from": {"catalogue": True},
        }

    def test_a_familys_sizes_may_be_replaced(self, world):
        asked = {"family": world.family, "stock": [], "catalogue": [], "valves": [VALVE]}
        assert plan(world.program, asked)["valves"][0]["action"] == "unresolved"

    def test_a_family_alone_has_no_stock(self, world):
        assert (
            plan(world.program, {"family": world.family, "valves": [VALVE]})["valves"][0]["action"] == "buy"
        )

    def test_the_stock_of_a_site_is_what_is_available(self, world):
        asked = {"family": world.family, "site": "north", "valves": [VALVE]}
        (valve,) = plan(world.program, asked)["valves"]
        assert valve["shim"] == {
            "thickness": length("2.6"),
            "condition": "used",
            "from": {"bin": world.bin("2.600")},
        }
        world.hold(lines=[world.line("2.600", "used", 6)])
        (valve,) = plan(world.program, asked)["valves"]
        assert valve["shim"]["from"] == {"bin": world.bin("2.575")}
        assert Hold.objects.count() == 1

    def test_a_line_of_the_answer_can_be_held_as_it_is(self, world):
        asked = {"family": world.family, "site": "north", "valves": [VALVE]}
        (valve,) = plan(world.program, asked)["valves"]
        shim = valve["shim"]
        line = {
            "family": world.family,
            "bin": shim["from"]["bin"],
            "thickness": shim["thickness"],
            "condition": shim["condition"],
            "label": valve["label"],
        }
        held = world.program.done("/holds", {"site": "north", "reference": "calculator 1", "lines": [line]})
        assert held["lines"][0]["quantity"] == 1

    def test_another_sites_stock_is_not_told_of(self, world, stranger):
        asked = {"family": world.family, "site": "north", "valves": [VALVE]}
        foreign, missing = (plan(stranger, asked | {"site": code}, 400) for code in ("north", "nowhere"))
        assert foreign["errors"][0]["pointer"] == missing["errors"][0]["pointer"] == "/site"
        assert str(foreign).replace("north", "nowhere").replace(foreign["instance"], "") == str(
            missing
        ).replace(missing["instance"], "")

    def test_as_many_queries_for_a_site_however_much_stock(self, world, django_assert_num_queries):
        asked = {"family": world.family, "site": "north", "valves": [VALVE]}
        plan(world.program, asked)
        for more in (1, 30):
            world.shop.stock(*((f"2.{200 + 5 * n}", "used", 1) for n in range(more)))
            with django_assert_num_queries(6):  # key and person, roles; family; site, overdue holds, lots
                plan(world.program, asked)


@pytest.mark.parametrize("seed", range(20))
def test_what_is_taken_fits_the_documents_schema(calculator, seed):
    schema = request_schema("/plans", "post")
    schema.validate(request_of(engine(seed), seed))
    schema.validate(EXAMPLE)
