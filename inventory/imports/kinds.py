"""What a kind of table is: its columns, what a row would change, how rows are applied, how they come out."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from inventory.models import ImportRow
from inventory.spreadsheets.columns import Column, Values
from inventory.spreadsheets.writing import Cell
from shop.actor import Actor
from shop.errors import NotFound
from shop.models import Site

Fate = ImportRow.Fate


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What applying a row would do, and why in plain words."""

    fate: Fate
    message: str = ""


class Checker(Protocol):
    """Judges the rows of one table in their order; it knows the books as they are and the rows before."""

    def judge(self, number: int, values: Values) -> Verdict: ...


class TableKind(Protocol):
    """One kind of table."""

    code: str
    title: str
    columns: Sequence[Column]

    def checker(self, site: Site) -> Checker: ...

    def apply(
        self, *, site: Site, actor: Actor, at: datetime, rows: Iterable[tuple[int, Values]], document: str
    ) -> None:
        """Write rows that were judged new or changed. Raises ShopError when the books have moved since."""

    def export(self, site: Site) -> Iterator[Sequence[Cell]]:
        """The rows that an import of this kind would take back, in one fixed order."""


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
