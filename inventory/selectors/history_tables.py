"""Histories as tables for a file to keep: the same columns from the pages and over the API."""

from collections.abc import Iterable, Iterator

from inventory.compute.lengths import show
from inventory.selectors.as_of import LotThen
from inventory.selectors.happenings import Happening
from inventory.selectors.history import HistoryRow
from inventory.selectors.journeys import TracedShim
from inventory.spreadsheets.writing import Cell

HISTORY = (
    "movement", "when", "act", "who", "place", "family", "thickness [mm]", "condition", "quantity", "job",
    "document", "note", "reverses", "reversed by",
)  # fmt: skip
THEN = ("place", "family", "thickness [mm]", "condition", "quantity")
JOURNEYS = (
    "family", "out of", "at", "thickness out [mm]", "into", "at", "thickness in [mm]", "days", "certain",
)  # fmt: skip
STORY = ("when", "what", "who", "particulars", "movement")

Cells = Iterator[tuple[Cell, ...]]


def history_cells(rows: Iterable[HistoryRow]) -> Cells:
    """Under `HISTORY`: one line of a movement each."""
    for row in rows:
        yield (
            row.seq,
            row.at.isoformat(),
            row.reason,
            row.actor,
            row.place,
            row.family,
            row.thickness,
            row.condition,
            row.quantity,
            row.job_id,
            row.document,
            row.note,
            _or_none(row.reverses),
            _or_none(row.reversed_by),
        )


def then_cells(lots: Iterable[LotThen]) -> Cells:
    """Under `THEN`: one lot of a past moment each."""
    for lot in lots:
        yield lot.place.code, lot.family.code, show(lot.thickness_nm), lot.condition, lot.on_hand


def journey_cells(shims: Iterable[TracedShim]) -> Cells:
    """Under `JOURNEYS`: one used shim that went into an engine each."""
    for shim in shims:
        out = shim.out
        yield (
            shim.family.code,
            "" if out is None else out.document,
            "" if out is None else out.at.isoformat(),
            "" if shim.out_nm is None else show(shim.out_nm),
            shim.into.document,
            shim.into.at.isoformat(),
            show(shim.in_nm),
            _or_none(shim.days),
            "yes" if shim.certain else "no",
        )


def story_cells(entries: Iterable[Happening]) -> Cells:
    """Under `STORY`: one thing that happened each."""
    for entry in entries:
        yield entry.at.isoformat(), entry.what, entry.by, entry.text, _or_none(entry.seq)


def _or_none(number: int | None) -> Cell:
    return "" if number is None else number
