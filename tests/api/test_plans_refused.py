"""POST /plans: what is refused, with a pointer to what is wrong; and the largest that is taken."""

import copy

import pytest

from tests.api.test_plans import VALVE, body, plan
from tests.api.world import length, thou


def put(body, where, value):
    """The body with one value replaced; the value DELETE takes it away."""
    body = copy.deepcopy(body)
    *way, last = where.split("/")[1:]
    place = body
    for step in way:
        place = place[int(step)] if isinstance(place, list) else place[step]
    if value is DELETE:
        del place[last]
    else:
        place[int(last) if isinstance(place, list) else last] = value
    return body


DELETE = object()
LOT = {"thickness": length("2.600"), "condition": "new", "quantity": 2}
WHOLE = body(
    VALVE | {"aim": thou("8"), "adjust": "auto"}, stock=[LOT], catalogue=[length("2.6")], lash_ratio="1"
)

REFUSED = [
    # (what is put, where, the pointer of the error if it is another)
    (None, "/valves", ""),
    ([], "/valves", ""),
    ({}, "/valves", ""),
    (DELETE, "/valves", ""),
    ([VALVE] * 65, "/valves", ""),
    (DELETE, "/stock", "/family"),
    (DELETE, "/catalogue", "/family"),
    (None, "/stock", ""),
    (None, "/catalogue", ""),
    ("1", "/extra", ""),
    ("north", "/site", ""),
    (7, "/family", ""),
    (None, "/family", ""),
    ("", "/family", ""),
    ("no-such", "/family", ""),
    ([LOT] * 5_001, "/stock", ""),
    (0, "/stock/0/quantity", ""),
    (-1, "/stock/0/quantity", ""),
    ("2", "/stock/0/quantity", ""),
    (2.0, "/stock/0/quantity", ""),
    (True, "/stock/0/quantity", ""),
    (100_001, "/stock/0/quantity", ""),
    ("unmeasured", "/stock/0/condition", ""),
    (None, "/stock/0/condition", ""),
    (length("0.4"), "/stock/0/thickness", ""),
    (length("2600"), "/stock/0/thickness", ""),
    (DELETE, "/stock/0/thickness", ""),
    ("x", "/stock/0/place", ""),
    ("text", "/stock/0", ""),
    (length("2.7", "thou"), "/catalogue/0", ""),
    ("2.6", "/catalogue/0", ""),
    ({"value": "2.6"}, "/catalogue/0", ""),
    ({"unit": "mm"}, "/catalogue/0", ""),
    ({"value": 2.6, "unit": "mm"}, "/catalogue/0", ""),
    ({"value": "2.6", "unit": "cm"}, "/catalogue/0", ""),
    ({"value": "2.6", "unit": "mm", "note": ""}, "/catalogue/0", ""),
    ({"value": "2,6", "unit": "mm"}, "/catalogue/0", ""),
    ({"value": "2.6e0", "unit": "mm"}, "/catalogue/0", ""),
    (1, "/lash_ratio", ""),
    ("0", "/lash_ratio", ""),
    ("-1", "/lash_ratio", ""),
    ("1e3", "/lash_ratio", ""),
    ("NaN", "/lash_ratio", ""),
    (".5", "/lash_ratio", ""),
    ("1.0000001", "/lash_ratio", ""),
    ("1000.1", "/lash_ratio", ""),
    (DELETE, "/valves/0/label", ""),
    ("", "/valves/0/label", ""),
    ("  ", "/valves/0/label", ""),
    ("x" * 41, "/valves/0/label", ""),
    (1, "/valves/0/label", ""),
    (DELETE, "/valves/0/spec", ""),
    (DELETE, "/valves/0/spec/min", ""),
    (DELETE, "/valves/0/spec/max", ""),
    (thou("10"), "/valves/0/spec/min", ""),
    (thou("11"), "/valves/0/spec/min", ""),
    (length("2.1"), "/valves/0/spec/max", ""),
    (thou("-1"), "/valves/0/spec/min", ""),
    (thou("5"), "/valves/0/aim", ""),
    (thou("11"), "/valves/0/aim", ""),
    (None, "/valves/0/aim", ""),
    ("often", "/valves/0/adjust", ""),
    (None, "/valves/0/adjust", ""),
    (DELETE, "/valves/0/clearance", ""),
    (DELETE, "/valves/0/clearance/passes", ""),
    (thou("6"), "/valves/0/clearance/passes", "/valves/0/clearance/stops"),
    (thou("5"), "/valves/0/clearance/stops", ""),
    (None, "/valves/0/clearance/stops", ""),
    (length("8"), "/valves/0/clearance/passes", ""),
    (DELETE, "/valves/0/shim", ""),
    ({}, "/valves/0/shim", "/valves/0/shim/thickness"),
    (DELETE, "/valves/0/shim/known_by", ""),
    ("guessed", "/valves/0/shim/known_by", ""),
    (length("275"), "/valves/0/shim/thickness", ""),
    ("x", "/valves/0/note", ""),
]


class TestRefused:
    @pytest.mark.parametrize(("value", "where", "pointer"), REFUSED)
    def test_with_a_pointer(self, calculator, value, where, pointer):
        problem = plan(calculator, put(WHOLE, where, value), 400)
        assert (pointer or where) in [error["pointer"] for error in problem["errors"]]

    def test_a_label_twice(self, calculator):
        problem = plan(calculator, body(VALVE, VALVE | {"label": "2-IN"}, VALVE), 400)
        assert [error["pointer"] for error in problem["errors"]] == ["/valves/2/label"]

    def test_every_error_is_named_at_once(self, calculator):
        wrong = body(VALVE | {"adjust": "often", "aim": thou("50")}, stock=[LOT | {"quantity": 0}] * 3)
        pointers = [error["pointer"] for error in plan(calculator, wrong, 400)["errors"]]
        assert pointers == [
            "/stock/0/quantity",
            "/stock/1/quantity",
            "/stock/2/quantity",
            "/valves/0/aim",
            "/valves/0/adjust",
        ]

    def test_more_errors_than_anybody_reads_are_cut_off(self, calculator):
        problem = plan(calculator, body(stock=[LOT | {"quantity": 0}] * 5_000), 400)
        assert len(problem["errors"]) == 100
        assert "4,997 more" in problem["detail"]

    def test_what_was_probably_meant_is_said(self, calculator):
        problem = plan(calculator, put(WHOLE, "/valves/0/clearance/passes", length("8")), 400)
        assert "8 thou (0.2032 mm) was probably meant" in problem["detail"]

    @pytest.mark.parametrize(
        ("thickness", "known_by", "status"),
        [
            ("3.200", "marked", 200),
            ("3.201", "marked", 400),
            ("3.300", "measured", 200),
            ("3.301", "measured", 400),
            ("1.999", "marked", 400),
            ("1.900", "measured", 200),
        ],
    )
    def test_a_shim_outside_its_family(self, world, thickness, known_by, status):
        own = VALVE | {"shim": {"thickness": length(thickness), "known_by": known_by}}
        answer = plan(world.program, {"family": world.family, "valves": [own]}, status)
        if status == 400:
            assert [error["pointer"] for error in answer["errors"]] == ["/valves/0/shim/thickness"]

    @pytest.mark.parametrize(
        ("thickness", "condition", "status"),
        [("3.200", "new", 200), ("3.201", "new", 400), ("3.300", "used", 200), ("3.301", "used", 400)],
    )
    def test_a_lot_outside_its_family(self, world, thickness, condition, status):
        lot = LOT | {"thickness": length(thickness), "condition": condition}
        asked = {"family": world.family, "stock": [lot], "valves": [VALVE]}
        answer = plan(world.program, asked, status)
        if status == 400:
            assert [error["pointer"] for error in answer["errors"]] == ["/stock/0/thickness"]

    def test_the_largest_that_is_taken(self, calculator):
        valves = [VALVE | {"label": f"{n}-IN"} for n in range(64)]
        lots = [LOT | {"thickness": length(f"{2 + n / 5_000:.4f}")} for n in range(5_000)]
        answer = plan(calculator, body(*valves, stock=lots))
        assert answer["score"]["unresolved"] == 0
        assert len(answer["valves"]) == 64
