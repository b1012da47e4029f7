"""Which bins so many shims of one grade should be put into.

Promise
    First the bins that are kept for that family and grade, then bins kept for no size that hold nothing
    but that grade, then empty bins that are free for it, the nearest to where the grade belongs first.
    Last, where no bin is kept for the grade, those that are kept for the family's nearest size: a cabinet
    may have a bin for every second size only, and what lies between belongs into them. No bin is filled
    above its capacity; a bin without a capacity takes everything. What finds no room is said. The order
    of the bins that are passed in does not matter.

    "Nearest" counts drawers: rows plus columns from the grade's own bin, or where it has none, from the
    family's bin of the nearest size, the thinner one of two that are equally near. A bin of the same cabinet
    is nearer than any of another; a bin whose place in the cabinet is not known comes last.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from inventory.compute.lengths import show

# Further away than any drawer is.
_FAR = 10**9
_EMPTY = "empty and"


@dataclass(frozen=True, slots=True, kw_only=True)
class BinView:
    """One bin as a proposal sees it; `code` is unique in its site."""

    code: str
    cabinet: str
    row: int | None
    column: int | None
    family: str | None
    """The family it is kept for; None when it takes any."""
    size_nm: int | None
    """The size it is kept for; None when it takes any of its family."""
    capacity: int | None
    content: int
    """How many shims are in it, of whatever kind."""
    grades: frozenset[tuple[str, int]] = field(default_factory=frozenset)
    """The (family, grade in nanometres) of what is in it."""

    @property
    def room(self) -> int | None:
        """How many more it takes; None for no limit."""
        return None if self.capacity is None else max(self.capacity - self.content, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """So many shims for one bin, and why that one."""

    code: str
    quantity: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PutAway:
    """Where so many shims go: shares in the order of preference, and what finds no room."""

    shares: tuple[Share, ...]
    left: int


def propose_bins(family: str, grade_nm: int, quantity: int, bins: Iterable[BinView]) -> PutAway:
    """Where to put `quantity` shims of one grade. Raises ValueError when that is below 1."""
    if quantity < 1:
        raise ValueError(f"nothing to put away: {quantity} shims")
    shares: list[Share] = []
    left = quantity
    for view, why in _in_order(family, grade_nm, list(bins)):
        taken = left if view.room is None else min(left, view.room)
        if taken:
            shares.append(Share(code=view.code, quantity=taken, why=why))
            left -= taken
        if not left:
            break
    return PutAway(shares=tuple(shares), left=left)


def bins_for(family: str, grade_nm: int, bins: Iterable[BinView], free: int) -> list[tuple[BinView, str]]:
    """The bins that a person would think of for this grade, the best first, each with the reason: those kept
    for it or holding it, full or not, then up to `free` empty ones, the nearest first."""
    found = _in_order(family, grade_nm, list(bins))
    belongs = [(view, why) for view, why in found if not why.startswith(_EMPTY)]
    return [*belongs, *[(view, why) for view, why in found if why.startswith(_EMPTY)][:free]]


def _in_order(family: str, grade_nm: int, bins: Sequence[BinView]) -> list[tuple[BinView, str]]:
    """Every bin that may take the shims, the best first, each with the reason."""
    own = [view for view in bins if view.family == family and view.size_nm == grade_nm]
    loose = [view for view in bins if view.size_nm is None and view.family in (None, family)]
    anchor = _anchor(family, grade_nm, bins)
    grade = f"{show(grade_nm)} mm"
    together = [view for view in loose if view.content and view.grades == {(family, grade_nm)}]
    free = [view for view in loose if not view.content]
    near = "near its grade" if anchor else "free"
    neighbours = [] if own else _of_nearest_size(family, grade_nm, bins)
    return [
        *((view, f"kept for {grade}") for view in sorted(own, key=_by_place)),
        *(
            (view, f"holds {grade} already")
            for view in sorted(together, key=lambda view: _away(view, anchor))
        ),
        *((view, f"{_EMPTY} {near}") for view in sorted(free, key=lambda view: _away(view, anchor))),
        *(
            (view, f"kept for {show(view.size_nm or 0)} mm, the nearest size to {grade}")
            for view in sorted(neighbours, key=_by_place)
        ),
    ]


def _of_nearest_size(family: str, grade_nm: int, bins: Sequence[BinView]) -> list[BinView]:
    """The family's bins that are kept for its size nearest to the grade, the thinner of two as near."""
    sizes = {view.size_nm for view in bins if view.family == family and view.size_nm is not None}
    nearest = min(sizes, key=lambda size: (abs(size - grade_nm), size), default=None)
    return [view for view in bins if view.family == family and view.size_nm == nearest and nearest]


def _anchor(family: str, grade_nm: int, bins: Sequence[BinView]) -> BinView | None:
    """The placed bin from which nearness counts; None where the family has none."""
    kept = [
        view for view in bins if view.family == family and view.size_nm is not None and view.row is not None
    ]
    return min(
        kept,
        key=lambda view: (abs((view.size_nm or 0) - grade_nm), view.size_nm or 0, *_by_place(view)),
        default=None,
    )


def _away(view: BinView, anchor: BinView | None) -> tuple[object, ...]:
    if anchor is None or view.row is None or view.column is None:
        return (view.row is None, True, _FAR, *_by_place(view))
    drawers = abs(view.row - (anchor.row or 0)) + abs(view.column - (anchor.column or 0))
    return (False, view.cabinet != anchor.cabinet, drawers, *_by_place(view))


def _by_place(view: BinView) -> tuple[str, int, int, str]:
    row = _FAR if view.row is None else view.row
    column = _FAR if view.column is None else view.column
    return (view.cabinet, row, column, view.code)
