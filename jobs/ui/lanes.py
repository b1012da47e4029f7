"""The ways that arrows take on a drawn engine: around the valves, never across one.

Above and below each row of valves, and between two rows that face each other, there is a lane; left of all
rows a gutter. An arrow leaves its valve straight into a lane, runs along it and turns into the other valve;
where another lane is nearer to its end it goes there through the gutter. Arrows that would lie on each other
run side by side, closer together where a lane is full. A valve is left and entered beside its middle, on such
sides that the two arrows of a swap do not cross.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Protocol

APART = 13  # between two arrows side by side, and from a valve's middle to where an arrow leaves or enters
CLEAR = 17  # from a valve's edge to the first arrow above or below its row
TURN = 12  # radius of a corner
HEAD = 10  # what the arrow's head needs before the valve's edge

Point = tuple[float, float]
Lane = tuple[str, int]  # "above" or "below" a row, or "between" it and the one before


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


def ways(
    valves: Iterable[Disc], swaps: Sequence[tuple[Disc, Disc]], *, gutter: float, height: float
) -> list[str]:
    """The path of each swap (from, to), from the one's edge to just before the other's, in the order given.

    `gutter`: where it lies; `height`: of the whole drawing.
    """
    rows = _Rows(valves, height)
    lanes: dict[Lane, _Tracks] = defaultdict(_Tracks)
    gutters = _Tracks()
    taken = {}
    for number in sorted(range(len(swaps)), key=lambda number: _turn(*swaps[number])):
        source, target = swaps[number]
        way = _Way(source, target)
        if way.first == way.last:
            tracks = (lanes[way.first].take(way.start_x, way.end_x),)
        else:
            tracks = (
                lanes[way.first].take(gutter, way.start_x),
                lanes[way.last].take(gutter, way.end_x),
                gutters.take(source.y, target.y),
            )
        taken[number] = (way, tracks)
    return [
        _draw(*taken[number], rows=rows, lanes=lanes, gutter=gutter, gutters=gutters)
        for number in range(len(swaps))
    ]


class _Rows:
    """The upper and lower edge of each row of valves."""

    def __init__(self, valves: Iterable[Disc], height: float) -> None:
        self._height = height
        self._upper: dict[int, float] = {}
        self._lower: dict[int, float] = {}
        for valve in valves:
            top, bottom = valve.y - valve.radius, valve.y + valve.radius
            self._upper[valve.storey] = min(top, self._upper.get(valve.storey, top))
            self._lower[valve.storey] = max(bottom, self._lower.get(valve.storey, bottom))

    def y(self, lane: Lane, track: int, tracks: int) -> float:
        """The height of one of so many tracks of a lane."""
        side, row = lane
        if side == "between":
            above, below = self._lower[row - 1], self._upper[row]
            apart = min(APART, (below - above) / (tracks + 1))
            return (above + below) / 2 + (track - (tracks - 1) / 2) * apart
        if side == "above":
            edge, end = self._upper[row], self._lower.get(row - 1, 0.0)
        else:
            edge, end = self._lower[row], self._upper.get(row + 1, self._height)
        room = abs(edge - end) - CLEAR - 4
        away = CLEAR + track * min(APART, room / tracks)
        return edge - away if side == "above" else edge + away


class _Way:
    """Which lanes an arrow begins and ends in, and beside which side of the valves' middles."""

    def __init__(self, source: Disc, target: Disc) -> None:
        self.source, self.target = source, target
        steps = target.storey - source.storey
        if steps == 0:
            # Out to the right, in from the left: of the two arrows of a swap one lies inside the other.
            out, into = APART, -APART
            self.first = self.last = ("below" if source.storey % 2 else "above", source.storey)
        elif abs(steps) == 1:
            # Rows that face each other: down on the right, up on the left.
            out = into = APART * steps
            self.first = self.last = ("between", max(source.storey, target.storey))
        else:
            out, into = APART, -APART
            down = steps > 0
            self.first = ("between", source.storey + 1 if down else source.storey)
            self.last = ("between", target.storey if down else target.storey + 1)
        self.start_x, self.end_x = source.x + out, target.x + into


class _Tracks:
    """What runs side by side in one lane: tracks with the stretches that are taken."""

    def __init__(self) -> None:
        self._taken: list[list[tuple[float, float]]] = []

    def __len__(self) -> int:
        return len(self._taken)

    def take(self, one: float, other: float) -> int:
        """The number of the first track in which nothing runs between the two."""
        low, high = min(one, other) - TURN, max(one, other) + TURN
        for number, track in enumerate(self._taken):
            if all(high < left or right < low for left, right in track):
                track.append((low, high))
                return number
        self._taken.append([(low, high)])
        return len(self._taken) - 1


def _turn(source: Disc, target: Disc) -> tuple[bool, float, bool]:
    """In which order arrows take their tracks, so that the two of a swap do not cross: between rows that face
    each other the upper track first, in one row the inner one, which is that of the arrow to the right."""
    right = target.x - source.x
    if source.storey == target.storey:
        return (False, abs(right), right < 0)
    upper = right >= 0 if target.storey > source.storey else right > 0
    return (True, 0.0, not upper)


def _draw(
    way: _Way,
    tracks: tuple[int, ...],
    *,
    rows: _Rows,
    lanes: dict[Lane, _Tracks],
    gutter: float,
    gutters: _Tracks,
) -> str:
    source, target = way.source, way.target
    first_y = rows.y(way.first, tracks[0], len(lanes[way.first]))
    last_y = first_y if len(tracks) == 1 else rows.y(way.last, tracks[1], len(lanes[way.last]))
    start = (way.start_x, source.y + (0.9 if first_y > source.y else -0.9) * source.radius)
    edge = target.radius + HEAD
    end = (way.end_x, target.y + (edge if last_y > target.y else -edge))
    if len(tracks) == 1:
        return _path([start, (way.start_x, first_y), (way.end_x, first_y), end])
    x = gutter - min(APART, gutter / (len(gutters) + 1)) * tracks[2]
    return _path([start, (way.start_x, first_y), (x, first_y), (x, last_y), (way.end_x, last_y), end])


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
