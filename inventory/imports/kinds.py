"""What a kind of table is: its columns, what a row would change, how rows are applied, how they come out."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

from inventory.models import ImportRow
from inventory.services.table_posting import Say
from inventory.spreadsheets.columns import Column, Values
from inventory.spreadsheets.writing import Cell
from shop.actor import Actor
from shop.errors import NotFound
from shop.models import Site

Fate = ImportRow.Fate
MOST_SHOWN = 80  # characters of a text that are said of what becomes what
BEFORE = 20  # of those, before the first difference where that is far behind


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What applying a row would do, and why in plain words, without a full stop: several may be joined."""

    fate: Fate
    message: str = ""


class Checker(Protocol):
    """Judges the rows of one table in their order; it knows the books as they are and the rows before."""

    def judge(self, number: int, values: Values) -> Verdict: ...

    def close(self) -> Iterable[tuple[int, Verdict]]:
        """After the last row: rows, by number, that only the whole table shows to be wrong."""
        return ()


class TableKind(Protocol):
    """One kind of table. most_rows: more are refused by the check. named_by: the columns that say what a row
    is about."""

    code: str
    title: str
    columns: Sequence[Column]
    named_by: Sequence[str]
    most_rows: int

    def checker(self, site: Site) -> Checker: ...

    def prepare(
        self,
        *,
        site: Site,
        actor: Actor,
        at: datetime,
        rows: Iterable[tuple[int, Values]],
        document: str,
        say: Say,
    ) -> Callable[[], None]:
        """Get rows that were judged new or changed ready to be written; nothing of them is in the books yet.

        What is returned writes them all. It is called inside a write transaction, for which others may have
        to wait (bar S6): what can be done before is done here, with `say` told how far it is. Raises
        ShopError, here or there, when the books have moved since.
        """

    def exported(self, site: Site) -> Sequence[Column]:
        """The columns in which the rows come out: all of them, where a kind does not say otherwise."""
        return self.columns

    def export(self, site: Site) -> Iterator[Sequence[Cell]]:
        """The rows that an import of this kind would take back, in one fixed order."""


def name_of(kind: TableKind, values: Values) -> str:
    """What a row is about, for a person who looks for it; what is empty or could not be read is left out."""
    return ", ".join(words for name in kind.named_by if (words := _keyed(values.get(name))))


def _keyed(value: Any) -> str:
    if value is None:
        return ""
    return str(value["keyed"] if isinstance(value, dict) else value)


def what_changes(was: Mapping[str, str], now: Mapping[str, str]) -> str:
    """What becomes what, column by column, of two rows in words; "" where nothing does."""
    return "; ".join(
        f"{name}: {before} becomes {after}"
        for name in [*was, *(name for name in now if name not in was)]
        if was.get(name) != now.get(name)
        for before, after in [_clipped(was.get(name) or "", now.get(name) or "")]
    )


def _clipped(was: str, now: str) -> tuple[str, str]:
    """What is shown of two texts that differ: so much of each that their first difference is seen."""
    differ = next((at for at, (old, new) in enumerate(zip(was, now, strict=False)) if old != new), None)
    differ = min(len(was), len(now)) if differ is None else differ
    begin = 0 if differ < MOST_SHOWN - BEFORE else differ - BEFORE
    return _piece(was, begin), _piece(now, begin)


def _piece(text: str, begin: int) -> str:
    if not text:
        return "none"
    end = begin + MOST_SHOWN
    return f"{'…' if begin else ''}{text[begin:end]}{'…' if end < len(text) else ''}"


def headings(kind: TableKind, site: Site) -> list[str]:
    """The first row of a kind's table as it comes out."""
    return [column.heading for column in kind.exported(site)]


_kinds: dict[str, TableKind] = {}


def register(kind: TableKind) -> TableKind:
    """Offer a kind of table. A second one under the same code is a mistake in our own code."""
    if _kinds.setdefault(kind.code, kind) is not kind:
        raise ValueError(f"two kinds of table are called {kind.code!r}")
    return kind


def kinds() -> list[TableKind]:
    """Every kind, by title."""
    return sorted(_kinds.values(), key=lambda kind: kind.title)


def kind_of(code: str) -> TableKind:
    """Raises NotFound for a code that no kind has."""
    found = _kinds.get(code)
    if found is None:
        raise NotFound(f"There is no table called {code!r}; there are: {', '.join(sorted(_kinds))}.")
    return found
