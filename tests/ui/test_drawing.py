"""The drawn engine: every valve once, nothing on anything, and arrows that go around valves."""

import re
from itertools import pairwise
from math import hypot

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jobs.compute.layout import EngineLayout, positions
from jobs.models import EnginePosition, JobValve, PlanLine
from jobs.selectors.at_a_glance import GlancedValve
from jobs.selectors.jobs import ValveSheet
from jobs.ui.drawing import draw_plan, tag_of
from jobs.ui.engine_grid import engine_grid
from jobs.ui.small_engine import in_words, small_engine

LAYOUTS = st.builds(
    lambda half, banks, intake, exhaust: EngineLayout(
        cylinders=half * banks, banks=banks, intake_per_cylinder=intake, exhaust_per_cylinder=exhaust
    ),
    st.integers(1, 8),
    st.integers(1, 2),
    st.integers(1, 3),
    st.integers(1, 2),
)
IN_A_LINE = st.sampled_from([None, 3, 2])


def engine(layout, swaps=()):
    """Sheets of an engine's valves; `swaps` are (from, to) by place in the order of the valves."""
    places = positions(layout)
    came_from = {places[to % len(places)].label: places[source % len(places)].label for source, to in swaps}
    sheets = []
    for place in places:
        valve = JobValve(
            label=place.label,
            side=place.side,
            order=place.order,
            position=EnginePosition(
                label=place.label,
                cylinder=place.cylinder,
                side=place.side,
                bank=place.bank,
                row=place.row,
                column=place.column,
            ),
        )
        source = came_from.get(place.label)
        line = PlanLine(label=place.label, action="keep")
        if source and source != place.label:
            line = PlanLine(label=place.label, action="swap", from_valve=source)
        sheets.append(
            ValveSheet(
                valve=valve,
                before=None,
                after=None,
                verdict_before=None,
                verdict_after=None,
                readings=(),
                shim_readings=(),
                line=line,
                fits=(),
            )
        )
    return sheets


def points_on(path):
    """Points along the path, close together: its straight stretches, and its corners as they bend."""
    numbers = [float(number) for number in re.findall(r"-?\d+\.\d", path)]
    commands = re.findall(r"[MLQ]", path)
    at, taken, points = None, 0, []
    for command in commands:
        count = {"M": 2, "L": 2, "Q": 4}[command]
        given_ = numbers[taken : taken + count]
        taken += count
        end = (given_[-2], given_[-1])
        if command == "L":
            steps = max(2, int(hypot(end[0] - at[0], end[1] - at[1]) / 4))
            points += [
                (at[0] + (end[0] - at[0]) * n / steps, at[1] + (end[1] - at[1]) * n / steps)
                for n in range(steps + 1)
            ]
        elif command == "Q":
            bend = (given_[0], given_[1])
            points += [
                tuple(
                    (1 - t) ** 2 * a + 2 * (1 - t) * t * b + t**2 * c
                    for a, b, c in zip(at, bend, end, strict=True)
                )
                for t in (0.25, 0.5, 0.75, 1)
            ]
        else:
            points.append(end)
        at = end
    return points


@given(LAYOUTS, IN_A_LINE)
def test_every_valve_is_drawn_once_and_nothing_lies_on_anything(layout, in_a_line):
    drawing = draw_plan(engine(layout), name="x", in_a_line=in_a_line)
    assert len(drawing.valves) == layout.valves
    assert len({valve.label for valve in drawing.valves}) == layout.valves
    assert len(drawing.bores) == layout.cylinders
    for number, one in enumerate(drawing.valves):
        assert one.radius < one.x < drawing.width - one.radius
        assert one.radius < one.y < drawing.height - one.radius
        for other in drawing.valves[number + 1 :]:
            assert hypot(one.x - other.x, one.y - other.y) > one.radius + other.radius
            # A tag is 76 wide in the template, a label nearly as much: neither covers the next one.
            assert one.y != other.y or abs(one.x - other.x) >= 76
    for one, other in pairwise(drawing.bores):
        assert hypot(one.x - other.x, one.y - other.y) > 2 * one.radius


@given(LAYOUTS, IN_A_LINE, st.lists(st.tuples(st.integers(0, 79), st.integers(0, 79)), max_size=6))
@settings(deadline=None)
def test_arrows_go_around_every_valve(layout, in_a_line, swaps):
    """From the edge of the one to the edge of the other, and never across a valve in between."""
    drawing = draw_plan(engine(layout, swaps), name="x", in_a_line=in_a_line)
    valves = {valve.label: valve for valve in drawing.valves}
    for arrow in drawing.arrows:
        source, target = valves[arrow.from_label], valves[arrow.to_label]
        points = points_on(arrow.path)
        assert hypot(points[0][0] - source.x, points[0][1] - source.y) <= source.radius
        assert hypot(points[-1][0] - target.x, points[-1][1] - target.y) <= target.radius + 18
        for x, y in points:
            assert 0 <= x <= drawing.width
            assert 0 <= y <= drawing.height
            for valve in drawing.valves:
                if valve.label != source.label:
                    assert hypot(x - valve.x, y - valve.y) > valve.radius, (arrow.path, valve.label)


def test_the_two_arrows_of_a_swap_never_touch():
    layout = EngineLayout(cylinders=4, intake_per_cylinder=2, exhaust_per_cylinder=2)
    for other in range(1, 16):
        drawing = draw_plan(engine(layout, [(0, other), (other, 0)]), name="x")
        there, back = (points_on(arrow.path) for arrow in drawing.arrows)
        nearest = min(hypot(a[0] - b[0], a[1] - b[1]) for a in there for b in back)
        assert nearest > 6, other  # the width of an arrow


@given(LAYOUTS)
def test_the_sheet_has_every_valve_once_from_left_to_right(layout):
    sheets = engine(layout)
    banks = engine_grid(sheets, lambda sheet: sheet.valve)
    assert [bank.number for bank in banks] == list(range(1, layout.banks + 1))
    cylinders = [cylinder for bank in banks for cylinder in bank.cylinders]
    assert [cylinder.number for cylinder in cylinders] == list(range(1, layout.cylinders + 1))
    for cylinder in cylinders:
        assert len(cylinder.rows) == 2
        for row in cylinder.rows:
            columns = [sheet.valve.position.column for sheet in row]
            assert columns == sorted(columns)
            assert len({sheet.valve.side for sheet in row}) == 1
    assert sum(len(row) for cylinder in cylinders for row in cylinder.rows) == layout.valves


def test_valves_without_a_place_are_still_there():
    valves = [JobValve(label=f"V{n}", order=n) for n in (2, 1)]
    (bank,) = engine_grid(valves, lambda valve: valve)
    assert [valve.label for valve in bank.cylinders[0].rows[0]] == ["V1", "V2"]


@given(LAYOUTS)
def test_the_small_engine_has_a_mark_per_valve(layout):
    valves = [
        GlancedValve(valve=sheet.valve, verdict="tight" if sheet.valve.order == 0 else None)
        for sheet in engine(layout)
    ]
    drawn = small_engine(valves)
    assert len(drawn.dots) == layout.valves
    assert all(0 < dot.x < drawn.width and 0 < dot.y < drawn.height for dot in drawn.dots)
    assert sum(dot.mark == "tight" for dot in drawn.dots) == 1
    assert in_words(valves) == f"1 tight, {layout.valves - 1} not read"


@pytest.mark.parametrize(
    ("line", "word"),
    [
        (PlanLine(action="swap", from_valve="1-IN"), "from 1-IN"),
        (PlanLine(action="buy"), "buy"),
        (PlanLine(action="unresolved"), "no shim"),
        (PlanLine(action="measure"), "measure"),
        (None, ""),
    ],
)
def test_where_a_shim_comes_from_in_a_word(line, word):
    assert tag_of(line) == word
