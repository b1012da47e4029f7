"""Positions of valves: labels, places on the drawing, and what is refused."""

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jobs.compute.layout import EngineLayout, faults, positions

layouts = st.builds(
    lambda half, banks, intake, exhaust: EngineLayout(
        cylinders=half * banks, banks=banks, intake_per_cylinder=intake, exhaust_per_cylinder=exhaust
    ),
    st.integers(1, 8),
    st.integers(1, 2),
    st.integers(1, 3),
    st.integers(1, 2),
)


def labels(**figures) -> list[str]:
    return [position.label for position in positions(EngineLayout(**figures))]


def drawing(**figures) -> dict[int, list[str]]:
    """Each bank as rows of text, "." where no valve stands."""
    placed = positions(EngineLayout(**figures))
    banks: dict[int, list[str]] = {}
    for bank in sorted({position.bank for position in placed}):
        here = {(p.row, p.column): p.label for p in placed if p.bank == bank}
        width = 1 + max(column for _, column in here)
        banks[bank] = [" ".join(here.get((row, column), ".") for column in range(width)) for row in (0, 1)]
    return banks


def test_one_valve_a_side_needs_no_left_and_right():
    assert labels(cylinders=2, intake_per_cylinder=1, exhaust_per_cylinder=1) == [
        "1-IN",
        "1-EX",
        "2-IN",
        "2-EX",
    ]


def test_several_valves_of_a_side_are_told_apart_from_left_to_right():
    assert labels(cylinders=1, intake_per_cylinder=3, exhaust_per_cylinder=2) == [
        "1-IN-L",
        "1-IN-M",
        "1-IN-R",
        "1-EX-L",
        "1-EX-R",
    ]


def test_an_engine_in_line_has_its_intake_row_above_its_exhaust_row():
    assert drawing(cylinders=2, intake_per_cylinder=2, exhaust_per_cylinder=2) == {
        1: ["1-IN-L 1-IN-R 2-IN-L 2-IN-R", "1-EX-L 1-EX-R 2-EX-L 2-EX-R"]
    }


def test_the_inner_rows_of_a_v_engine_are_the_intake_rows():
    assert drawing(cylinders=4, banks=2, intake_per_cylinder=1, exhaust_per_cylinder=1) == {
        1: ["1-EX 2-EX", "1-IN 2-IN"],
        2: ["3-IN 4-IN", "3-EX 4-EX"],
    }


@pytest.mark.parametrize(
    ("intake", "exhaust", "rows"),
    [
        (2, 1, ["1-IN-L . 1-IN-R", ". 1-EX ."]),
        (1, 2, [". 1-IN .", "1-EX-L . 1-EX-R"]),
        (3, 1, ["1-IN-L . 1-IN-M . 1-IN-R", ". . 1-EX . ."]),
        (3, 2, ["1-IN-L . 1-IN-M . 1-IN-R", ". 1-EX-L . 1-EX-R ."]),
    ],
)
def test_unlike_numbers_stand_between_each_other(intake, exhaust, rows):
    placed = positions(EngineLayout(cylinders=1, intake_per_cylinder=intake, exhaust_per_cylinder=exhaust))
    width = 2 * max(intake, exhaust) - 1
    here = {(p.row, p.column): p.label for p in placed}
    assert [" ".join(here.get((row, column), ".") for column in range(width)) for row in (0, 1)] == rows


@given(layouts)
def test_every_valve_has_a_label_and_a_place_of_its_own(layout):
    placed = positions(layout)
    assert len(placed) == layout.valves
    assert len({p.label for p in placed}) == len(placed)
    assert len({(p.bank, p.row, p.column) for p in placed}) == len(placed)
    assert [p.order for p in placed] == list(range(len(placed)))
    assert set(Counter(p.bank for p in placed).values()) == {layout.valves // layout.banks}


@given(layouts)
def test_a_label_says_cylinder_and_side(layout):
    for place in positions(layout):
        cylinder, side = place.label.split("-")[:2]
        assert (int(cylinder), side) == (place.cylinder, {"intake": "IN", "exhaust": "EX"}[place.side])


@given(layouts)
def test_columns_run_with_the_cylinders_and_rows_keep_to_one_side(layout):
    placed = positions(layout)
    for bank in range(1, layout.banks + 1):
        here = [p for p in placed if p.bank == bank]
        for side in ("intake", "exhaust"):
            of_side = [p for p in here if p.side == side]
            assert len({p.row for p in of_side}) == 1
            assert [p.column for p in of_side] == sorted(p.column for p in of_side)


@pytest.mark.parametrize(
    ("figures", "named"),
    [
        ({"cylinders": 0}, {"cylinders"}),
        ({"cylinders": 17}, {"cylinders"}),
        ({"banks": 3}, {"banks"}),
        ({"intake_per_cylinder": 4}, {"intake_per_cylinder"}),
        ({"exhaust_per_cylinder": 0, "banks": 0}, {"exhaust_per_cylinder", "banks"}),
        ({"cylinders": 3, "banks": 2}, {"cylinders"}),
    ],
)
def test_what_cannot_be_drawn_is_refused_by_name(figures, named):
    figures = {"cylinders": 4, "banks": 1, "intake_per_cylinder": 2, "exhaust_per_cylinder": 2, **figures}
    assert set(faults(**figures)) == named
    with pytest.raises(ValueError, match="must be"):
        EngineLayout(**figures)
