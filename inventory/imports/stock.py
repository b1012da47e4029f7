"""Stock as a table: how many of which shims lie in which bin. Applying books the difference as a count."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime

from inventory.compute.lengths import LengthError, from_nm, show
from inventory.compute.sizes import check_new_shim, check_used_shim
from inventory.imports.kinds import Checker, Fate, TableKind, Verdict, register
from inventory.models import Balance, Condition, Place, PlaceKind, ShimFamily
from inventory.selectors.stock import stock
from inventory.services.ledger import MOST_QUANTITY, ShimKey
from inventory.services.table_posting import Counted, CountedTable, Say, refusal
from inventory.spreadsheets.columns import Column, Kind, Values, length_of
from inventory.spreadsheets.reading import MOST_ROWS
from inventory.spreadsheets.writing import Cell
from shop.actor import Actor
from shop.errors import Conflict
from shop.models import Site
from shop.roles import Action

Key = tuple[str, str, int, str]


class StockTable(TableKind):
    """Columns bin, family, thickness, condition, quantity: what is on hand, not what is to be added."""

    code = "stock"
    title = "Stock in bins"
    named_by = ("bin", "family", "thickness", "condition")
    most_rows = MOST_ROWS
    columns = (
        Column(name="bin", longest=20),
        Column(name="family", longest=20),
        Column(name="thickness", kind=Kind.LENGTH),
        Column(name="condition", choices=(Condition.NEW.value, Condition.USED.value)),
        Column(name="quantity", kind=Kind.WHOLE),
    )

    def checker(self, site: Site) -> "StockChecker":
        return StockChecker(site)

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
        books = StockChecker(site)
        counted = books.counted(rows)
        table = CountedTable(site=site, places=books.places)
        note = "stock imported from a table"
        table.prepare(counted=counted, actor=actor, at=at, document=document, note=note, say=say)
        return table.write

    def export(self, site: Site) -> Iterator[Sequence[Cell]]:
        rows = stock(site).exclude(condition=Condition.UNMEASURED)
        for row in rows.iterator(chunk_size=2_000):
            yield (row.place.code, row.family.code, show(row.thickness_nm), row.condition, row.on_hand)


class StockChecker(Checker):
    """The site's bins as they are, and the rows seen so far."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._bins = {
            place.code: place
            for place in Place.objects.filter(site=site, kind=PlaceKind.BIN, retired_at=None)
        }
        self.places = {place.id: place for place in self._bins.values()}
        self._families = {family.code: family for family in ShimFamily.objects.all()}
        self._books: dict[Key, tuple[int, int]] = {
            (place, family, thickness, condition): (on_hand, held)
            for place, family, thickness, condition, on_hand, held in Balance.objects.filter(
                site=site, place__kind=PlaceKind.BIN
            ).values_list("place__code", "family__code", "thickness_nm", "condition", "on_hand", "held")
        }
        self._seen: dict[Key, int] = {}

    def judge(self, number: int, values: Values) -> Verdict:
        wrong = self._wrong(values)
        if wrong:
            return Verdict(fate=Fate.WRONG, message=wrong)
        key = self._key(values)
        if key in self._seen:
            return Verdict(
                fate=Fate.WRONG,
                message=f"names the same shims in the same bin as row {self._seen[key]}; make it one row",
            )
        self._seen[key] = number
        on_hand, held = self._books.get(key, (0, 0))
        if values["quantity"] < held:
            return Verdict(
                fate=Fate.WRONG, message=f"{held} of them are held; a count below that cannot be booked"
            )
        values["was"] = on_hand
        if abs(values["quantity"] - on_hand) > MOST_QUANTITY:
            return Verdict(
                fate=Fate.WRONG,
                message=f"{on_hand} on hand; more than {MOST_QUANTITY:,} shims are not booked at once",
            )
        if values["quantity"] == on_hand:
            return Verdict(fate=Fate.SAME, message=f"{on_hand} on hand")
        fate = Fate.CHANGED if on_hand else Fate.NEW
        return Verdict(fate=fate, message=f"{on_hand} on hand, {values['quantity']} in the table")

    def counted(self, rows: Iterable[tuple[int, Values]]) -> list[Counted]:
        """The rows as counts of balances. Raises Conflict when the books are not what they were."""
        found: list[Counted] = []
        moved: list[tuple[Counted, int, int]] = []
        gone: list[str] = []
        for number, values in rows:
            code, family, thickness_nm, condition = key = self._key(values)
            if code not in self._bins:
                gone.append(f"Row {number}: {code} is no longer in use.")
                continue
            shims = ShimKey(self._families[family].id, self._bins[code].id, thickness_nm, condition)
            change = Counted(shims, values["was"], values["quantity"], number)
            on_hand, held = self._books.get(key, (0, 0))
            if on_hand != change.was or held > change.now:
                moved.append((change, on_hand, held))
            found.append(change)
        if gone:
            raise Conflict(f"{' '.join(gone[:5])} Nothing was applied; bring the table in again.")
        if moved:
            raise Conflict(refusal(moved, self.places))
        return found

    def _key(self, values: Values) -> Key:
        return (values["bin"], values["family"], values["thickness"]["nm"], values["condition"])

    def _wrong(self, values: Values) -> str:
        problems = []
        if values["bin"] not in self._bins:
            problems.append(f"there is no bin {values['bin']} in use at {self._site.name}")
        family = self._families.get(values["family"])
        if family is None:
            problems.append(f"there is no shim family {values['family']}")
        else:
            length = length_of(values["thickness"])
            check = check_new_shim if values["condition"] == Condition.NEW else check_used_shim
            try:
                check(family.range, from_nm(length.nm))
            except LengthError as error:
                problems.append(error.message.rstrip("."))
        if values["quantity"] > MOST_QUANTITY:
            problems.append(f"more than {MOST_QUANTITY:,} shims are not booked at once")
        return "; ".join(problems)


STOCK = register(StockTable())
