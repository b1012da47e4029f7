"""Bins as a table: where each is in its cabinet and what it is kept for. Bins that are not in it stay."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime
from typing import Any

from inventory.compute.lengths import show
from inventory.compute.sizes import no_such_size
from inventory.imports.kinds import Checker, Fate, TableKind, Verdict, register, what_changes
from inventory.models import Place, PlaceKind, ShimFamily
from inventory.selectors.places import bins
from inventory.services.bin_table import BinTableWrite
from inventory.services.bins import MOST_POSITION, position_in_words, use_in_words
from inventory.services.place_codes import twin_cabinet_words
from inventory.services.table_posting import Say
from inventory.services.texts import text_errors
from inventory.spreadsheets.columns import Column, Kind, Values
from inventory.spreadsheets.reading import MOST_ROWS
from inventory.spreadsheets.writing import Cell
from shop.actor import Actor
from shop.models import Site
from shop.roles import Action

NOWHERE = ("", None, None)


class BinTable(TableKind):
    code = "bins"
    title = "Bins"
    named_by = ("code",)
    most_rows = MOST_ROWS
    columns = (
        Column(name="code", longest=20),
        Column(name="cabinet", longest=20, required=False),
        Column(name="row", kind=Kind.WHOLE, required=False),
        Column(name="column", kind=Kind.WHOLE, required=False),
        Column(name="family", longest=20, required=False),
        Column(name="size", kind=Kind.LENGTH, required=False),
        Column(name="capacity", kind=Kind.WHOLE, required=False),
    )

    def checker(self, site: Site) -> "BinChecker":
        return BinChecker(site)

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
        actor.must(Action.IMPORT, site)
        books = BinChecker(site)
        table = BinTableWrite(site=site, actor=actor, at=at)
        for _, values in rows:
            place, fields = books.bins.get(values["code"]), books.fields(values)
            if place is None:
                table.add(values["code"], fields)
            else:
                table.change(place, fields)
        return table.write

    def export(self, site: Site) -> Iterator[Sequence[Cell]]:
        for place in bins(site):
            yield (
                place.code,
                place.cabinet,
                "" if place.row is None else place.row,
                "" if place.column is None else place.column,
                place.family.code if place.family else "",
                "" if place.size_nm is None else show(place.size_nm),
                "" if place.capacity is None else place.capacity,
            )


class BinChecker(Checker):
    """The site's places as they are, and the rows seen so far."""

    def __init__(self, site: Site) -> None:
        self.bins: dict[str, Place] = {}
        self._other: set[str] = set()
        # What is called so, and how a cabinet is written, by the same in small letters.
        self._codes: dict[str, str] = {}
        self._cabinets: dict[str, dict[str, None]] = {}
        for place in Place.objects.filter(site=site).select_related("family", "site"):
            if place.kind == PlaceKind.BIN and place.retired_at is None:
                self.bins[place.code] = place
            else:
                self._other.add(place.code)
            self._codes.setdefault(place.code.casefold(), place.code)
            if place.cabinet:
                self._cabinets.setdefault(place.cabinet.casefold(), {})[place.cabinet] = None
        self._families = {family.code: family for family in ShimFamily.objects.all()}
        self._sizes = {family.code: set(family.sizes_nm()) for family in self._families.values()}
        self._seen: dict[str, int] = {}
        self._positions: dict[tuple, int] = {}

    def judge(self, number: int, values: Values) -> Verdict:
        wrong = self._wrong(values)
        code = values["code"]
        position = (values["cabinet"] or "", values["row"], values["column"])
        if code in self._seen:
            wrong.append(f"the bin {code} stands in row {self._seen[code]} already")
        if position != NOWHERE and position in self._positions:
            wrong.append(f"row {self._positions[position]} has the same place in the cabinet")
        self._seen.setdefault(code, number)
        self._positions.setdefault(position, number)
        if wrong:
            return Verdict(fate=Fate.WRONG, message="; ".join(wrong))
        place, fields = self.bins.get(code), self.fields(values)
        if place is None:
            made = Place(**fields)
            return Verdict(fate=Fate.NEW, message=f"at {position_in_words(made)}, {use_in_words(made)}")
        was = {name: getattr(place, name) for name in fields}
        if was == fields:
            return Verdict(fate=Fate.SAME)
        return Verdict(fate=Fate.CHANGED, message=what_changes(_in_words(was), _in_words(fields)))

    def close(self) -> Iterator[tuple[int, Verdict]]:
        """Rows that put a bin where one stands that the table does not name."""
        for place in self.bins.values():
            number = self._positions.get((place.cabinet, place.row, place.column))
            if number is not None and place.cabinet and place.code not in self._seen:
                words = f"the bin {place.code} stands there; give it another place in the table"
                yield number, Verdict(fate=Fate.WRONG, message=words)

    def fields(self, values: Values) -> dict[str, Any]:
        """What a bin's service takes."""
        size = values["size"]
        return {
            "cabinet": values["cabinet"] or "",
            "row": values["row"],
            "column": values["column"],
            "family": self._families.get(values["family"] or ""),
            "size_nm": size["nm"] if size else None,
            "capacity": values["capacity"],
        }

    def _wrong_names(self, code: str, cabinet: str) -> list[str]:
        wrong = [
            f"the {name} {error.detail}"
            for name, text in (("code", code), ("cabinet", cabinet))
            for error in text_errors(Place, name, text, "")
        ]
        taken = self._codes.setdefault(code.casefold(), code)
        if code in self._other:
            wrong.append(f"{code} is the name of another place or of a retired bin")
        elif code not in self.bins and taken != code:
            wrong.append(f"{code} differs from {taken} only by capital and small letters")
        written = self._cabinets.setdefault(cabinet.casefold(), {cabinet: None})
        if cabinet not in written:
            wrong.append(f"the cabinet {cabinet} {twin_cabinet_words(next(iter(written)))}")
        return wrong

    def _wrong(self, values: Values) -> list[str]:
        wrong = self._wrong_names(values["code"], values["cabinet"] or "")
        family = values["family"]
        if family and family not in self._families:
            wrong.append(f"there is no shim family {family}")
        elif values["size"] and values["size"]["nm"] not in self._sizes.get(family or "", set()):
            wrong.append(self._no_size(family, values["size"]["nm"]))
        position = (values["cabinet"] or "", values["row"], values["column"])
        if position != NOWHERE and ("" in position or None in position):
            wrong.append("a place in a cabinet is cabinet, row and column; leave all three empty for none")
        wrong += [
            f"{name} must be 1 to {MOST_POSITION:,}"
            for name in ("row", "column")
            if values[name] is not None and not 1 <= values[name] <= MOST_POSITION
        ]
        if values["capacity"] is not None and values["capacity"] < 1:
            wrong.append("capacity must be 1 or more, or empty")
        return wrong

    def _no_size(self, family: str | None, nm: int) -> str:
        if not family:
            return "a bin for a size needs its family"
        return no_such_size(self._families[family].range, nm, family)


def _in_words(fields: dict[str, Any]) -> dict[str, str]:
    """What the fields of a bin say, by column."""
    said = {}
    for field, value in fields.items():
        if value is None or value == "":
            words = ""
        elif field == "size_nm":
            words = f"{show(value)} mm"
        else:
            words = value.code if isinstance(value, ShimFamily) else str(value)
        said[field.removesuffix("_nm")] = words
    return said


BINS = register(BinTable())
