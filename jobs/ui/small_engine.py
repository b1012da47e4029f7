"""A small engine from above: a mark per valve, its verdict as shape and colour, and the same in words."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from jobs.selectors.at_a_glance import GlancedValve
from jobs.ui.engine_grid import engine_grid

PITCH = 62
BORE = 29
SPREAD = 23  # between two valves of a row
ROW = 13
MARGIN = 6
_WORDS = (
    ("tight", "tight"),
    ("loose", "loose"),
    ("at_limit", "at the limit"),
    ("in_spec", "in spec"),
    (None, "not read"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Dot:
    x: float
    y: float
    mark: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Bore:
    x: float
    y: float
    radius: int = BORE


@dataclass(frozen=True, slots=True, kw_only=True)
class SmallEngine:
    width: float
    height: float
    bores: Sequence[Bore]
    dots: Sequence[Dot]
    words: str


def small_engine(valves: Sequence[GlancedValve]) -> SmallEngine:
    """The picture of one job's engine; each bank is a line of cylinders."""
    bores: list[Bore] = []
    dots: list[Dot] = []
    banks = engine_grid(valves, lambda entry: entry.valve)
    for line, bank in enumerate(banks):
        for index, cylinder in enumerate(bank.cylinders):
            x, y = MARGIN + (index + 0.5) * PITCH, MARGIN + (line + 0.5) * PITCH
            bores.append(Bore(x=x, y=y))
            for number, row in enumerate(cylinder.rows):
                apart = SPREAD if len(row) < 3 else SPREAD * 0.78
                dots += [
                    Dot(
                        x=x + (place - (len(row) - 1) / 2) * apart,
                        y=y + (ROW if number else -ROW),
                        mark=entry.verdict or "unread",
                    )
                    for place, entry in enumerate(row)
                ]
    longest = max((len(bank.cylinders) for bank in banks), default=0)
    return SmallEngine(
        width=2 * MARGIN + longest * PITCH,
        height=2 * MARGIN + len(banks) * PITCH,
        bores=bores,
        dots=dots,
        words=in_words(valves),
    )


def in_words(valves: Sequence[GlancedValve]) -> str:
    """ "1 tight, 11 in spec": what needs attention first."""
    counts = Counter(entry.verdict for entry in valves)
    return ", ".join(f"{counts[key]} {words}" for key, words in _WORDS if counts[key])
