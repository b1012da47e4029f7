"""Price lists as a table: one row for every part number, period and break."""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime
from decimal import Decimal

from inventory.compute.lengths import show
from inventory.imports.kinds import Checker, Fate, TableKind, Verdict, register, what_changes
from inventory.models import PartPrice, ShimFamily, Supplier
from inventory.services.table_posting import Say
from inventory.services.terms import PartRow, part_errors, row_of, set_part_prices
from inventory.spreadsheets.columns import Column, Kind, Values
from inventory.spreadsheets.writing import Cell
from shop.actor import Actor
from shop.models import Site

MOST_ROWS = 20_000
Standing = dict[tuple[str, date], dict[int, PartRow]]


class PriceTable(TableKind):
    code = "prices"
    title = "Price lists"
    named_by = ("supplier", "part number", "from packs", "valid from")
    most_rows = MOST_ROWS
    columns = (
        Column(name="supplier", longest=20),
        Column(name="part number", longest=40),
        Column(name="family", longest=20),
        Column(name="size", kind=Kind.LENGTH),
        Column(name="pack", kind=Kind.WHOLE, required=False),
        Column(name="from packs", kind=Kind.WHOLE, required=False),
        Column(name="price", kind=Kind.DECIMAL),
        Column(name="only above", choices=("yes", "no"), required=False),
        Column(name="valid from", kind=Kind.DAY),
        Column(name="valid to", kind=Kind.DAY, required=False),
        Column(name="working days", kind=Kind.WHOLE, required=False),
    )

    def checker(self, site: Site) -> "PriceChecker":
        return PriceChecker()

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
        families, suppliers = _families(), _suppliers()
        by_supplier: dict[str, list[PartRow]] = defaultdict(list)
        for _, values in rows:
            by_supplier[values["supplier"]].append(_row(values, families))

        def write() -> None:
            for code, found in sorted(by_supplier.items()):
                set_part_prices(actor=actor, supplier=suppliers[code], rows=found)

        return write

    def export(self, site: Site) -> Iterator[Sequence[Cell]]:
        rows = PartPrice.objects.select_related("supplier", "family")
        ordered = rows.order_by("supplier__code", "part_number", "valid_from", "from_packs")
        for price in ordered.iterator(chunk_size=2_000):
            yield (
                price.supplier.code,
                price.part_number,
                price.family.code,
                show(price.thickness_nm),
                price.pack,
                price.from_packs,
                f"{price.price.normalize():f}",
                "yes" if price.incremental else "no",
                price.valid_from.isoformat(),
                price.valid_to.isoformat() if price.valid_to else "",
                "" if price.lead_days is None else price.lead_days,
            )


class PriceChecker(Checker):
    """Judges rows in their order. Breaks of one part must follow one another, the plain price first."""

    def __init__(self) -> None:
        self._families, self._suppliers = _families(), _suppliers()
        self._standing: dict[str, Standing] = {}
        self._seen: dict[tuple[str, str, date, int], int] = {}

    def judge(self, number: int, values: Values) -> Verdict:
        if values["supplier"] not in self._suppliers:
            return _wrong(f"there is no supplier {values['supplier']}")
        if values["family"] not in self._families:
            return _wrong(f"there is no shim family {values['family']}")
        row = _row(values, self._families)
        key = (values["supplier"], row.part_number, row.valid_from, row.from_packs)
        if key in self._seen:
            return _wrong(f"names the same price as row {self._seen[key]}; make it one row")
        self._seen[key] = number
        standing = self._of(values["supplier"])
        offer = standing.setdefault((row.part_number, row.valid_from), {})
        errors = part_errors([row], standing)
        if errors:
            return _wrong(errors[0].detail)
        before = offer.get(row.from_packs)
        offer[row.from_packs] = row
        if before is None:
            return Verdict(fate=Fate.NEW, message=f"{show(row.thickness_nm)} mm of {row.family.code}")
        if before == row:
            return Verdict(fate=Fate.SAME)
        return Verdict(fate=Fate.CHANGED, message=what_changes(_in_words(before), _in_words(row)))

    def _of(self, supplier: str) -> Standing:
        if supplier not in self._standing:
            found: Standing = defaultdict(dict)
            rows = PartPrice.objects.filter(supplier=self._suppliers[supplier]).select_related("family")
            for price in rows.iterator(chunk_size=2_000):
                found[price.part_number, price.valid_from][price.from_packs] = row_of(price)
            self._standing[supplier] = found
        return self._standing[supplier]


def _wrong(message: str) -> Verdict:
    return Verdict(fate=Fate.WRONG, message=message)


def _row(values: Values, families: Mapping[str, ShimFamily]) -> PartRow:
    return PartRow(
        part_number=values["part number"],
        family=families[values["family"]],
        thickness_nm=values["size"]["nm"],
        price=Decimal(values["price"]),
        valid_from=date.fromisoformat(values["valid from"]),
        pack=values["pack"] or 1,
        from_packs=values["from packs"] or 1,
        incremental=values["only above"] == "yes",
        valid_to=date.fromisoformat(values["valid to"]) if values["valid to"] else None,
        lead_days=values["working days"],
    )


def _in_words(row: PartRow) -> dict[str, str]:
    """What a row says beside what names it, by column."""
    return {
        "family": row.family.code,
        "size": f"{show(row.thickness_nm)} mm",
        "pack": str(row.pack),
        "price": f"{row.price.normalize():f}",
        "only above": "yes" if row.incremental else "no",
        "valid to": row.valid_to.isoformat() if row.valid_to else "",
        "working days": "" if row.lead_days is None else str(row.lead_days),
    }


def _families() -> dict[str, ShimFamily]:
    return {family.code: family for family in ShimFamily.objects.all()}


def _suppliers() -> dict[str, Supplier]:
    return {supplier.code: supplier for supplier in Supplier.objects.all()}


PRICES = register(PriceTable())
