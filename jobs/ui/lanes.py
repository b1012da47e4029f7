"""The ways that arrows take on a drawn engine: around the valves, never across one.

Between two rows of valves that face each other, above the first and below the last row there is a lane, and
left of all rows a gutter. An arrow leaves its valve straight into the nearest lane, runs along it and turns
into the other valve; where another lane is nearer to its end it goes there through the gutter. Arrows that
would lie on each other run side by side. Valves are left to the right of their middle and entered to the left
of it, so that the two arrows of a swap lie one inside the other.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Protocol

APART = 13  # between two arrows side by side, and from a valve's middle to where an arrow leaves or enters
CLEAR = 17  # from a valve's edge to the first arrow in its lane
TURN = 12  # radius of a corner
HEAD = 10  # what the arrow's head needs before the valve's edge

Point = tuple[float, float]


class Disc(Protocol):
    """A drawn valve: its middle, its radius, and in which row it stands, counted from the top."""

    @property
    def x(self) -> float: ...
    @property
    def y(self) -> float: ...
    @property
    def radius(self) -> float: ...
    @property
    def storey(self) -> int: ...


class Lanes:
    """The lanes of one drawing. `way` takes a place in them, so ask once per arrow, the shortest first."""

    def __init__(self, valves: Iterable[Disc], *, gutter: float) -> None:
        # Lane n lies above row n: the upper edge of each row, and the lower edge of the one before it.
        self._upper: dict[int, float] = {}
        self._lower: dict[int, float] = {}
        for valve in valves:
            top, bottom = valve.y - valve.radius, valve.y + valve.radius
            self._upper[valve.storey] = min(top, self._upper.get(valve.storey, top))
            self._lower[valve.storey] = max(bottom, self._lower.get(valve.storey, bottom))
        self._gutter = gutter
        self._lanes: dict[int, _Tracks] = defaultdict(_Tracks)
        self._gutters = _Tracks()

    def way(self, source: Disc, target: Disc) -> str:
        """The arrow's path, from the source's edge to just before the target's."""
        first, last = _lanes_between(source.storey, target.storey)
        start_x, end_x = source.x + APART, target.x - APART
        start = (start_x, source.y + (0.9 if source.storey < first else -0.9) * source.radius)
        edge = target.radius + HEAD
        end = (end_x, target.y + (edge if target.storey < last else -edge))
        if first == last:
            y = self._height(first, self._lanes[first].take(start_x, end_x))
            return _path([start, (start_x, y), (end_x, y), end])
        first_y = self._height(first, self._lanes[first].take(self._gutter, start_x))
        last_y = self._height(last, self._lanes[last].take(self._gutter, end_x))
        x = self._gutter - APART * self._gutters.take(first_y, last_y)
        return _path([start, (start_x, first_y), (x, first_y), (x, last_y), (end_x, last_y), end])

    def _height(self, lane: int, track: int) -> float:
        if (
            lane % 2
        ):  # between the two rows of one line of cylinders there is little room: from the middle out
            middle = (self._lower[lane - 1] + self._upper[lane]) / 2
            return middle + APART * ((track + 1) // 2) * (-1 if track % 2 else 1)
        if lane in self._upper:
            return self._upper[lane] - CLEAR - APART * track
        return self._lower[lane - 1] + CLEAR + APART * track


class _Tracks:
    """What runs side by side in one lane: tracks with the stretches that are taken."""

    def __init__(self) -> None:
        self._taken: list[list[tuple[float, float]]] = []

    def take(self, one: float, other: float) -> int:
        """The number of the first track in which nothing runs between the two."""
        low, high = min(one, other) - TURN, max(one, other) + TURN
        for number, track in enumerate(self._taken):
            if all(high < left or right < low for left, right in track):
                track.append((low, high))
                return number
        self._taken.append([(low, high)])
        return len(self._taken) - 1


def _lanes_between(source: int, target: int) -> tuple[int, int]:
    """The lane in which the way begins and that in which it ends: the outer one for two valves of one row."""
    if source == target:
        lane = source if source % 2 == 0 else source + 1
        return lane, lane
    return (source + 1, target) if source < target else (source, target + 1)


def _path(points: Sequence[Point]) -> str:
    """A line through the points, which lie straight above or beside each other, with round corners."""
    drawn = [f"M{_at(points[0])}"]
    for before, corner, after in zip(points, points[1:], points[2:], strict=False):
        drawn.append(f"L{_at(_towards(corner, before))}Q{_at(corner)} {_at(_towards(corner, after))}")
    drawn.append(f"L{_at(points[-1])}")
    return "".join(drawn)


def _towards(corner: Point, other: Point) -> Point:
    """The point a turn's radius from the corner on the way to the other, at most half the way."""
    length = abs(other[0] - corner[0]) + abs(other[1] - corner[1])
    share = min(TURN, length / 2) / length if length else 0
    return (corner[0] + (other[0] - corner[0]) * share, corner[1] + (other[1] - corner[1]) * share)


def _at(point: Point) -> str:
    return f"{point[0]:.1f} {point[1]:.1f}"
