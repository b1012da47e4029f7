"""Sizes as a table: every thickness that each family is made in, how it is marked, how many to keep of it.

Which sizes there are follows from their families; what a row can change is the number to keep.
"""

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime
from decimal import Decimal

from inventory.compute.lengths import LengthError, from_nm, show
from inventory.compute.markings import MarkingRule, marking_of
from inventory.compute.sizes import check_new_shim
from inventory.imports.kinds import Checker, Fate, TableKind, Verdict, register, what_changes
from inventory.models import ShimFamily, StockMinimum
from inventory.services.minimums import MOST, set_minimums
from inventory.services.table_posting import Say
from inventory.spreadsheets.columns import Column, Kind, Values
from inventory.spreadsheets.reading import MOST_ROWS
from inventory.spreadsheets.writing import Cell
from shop.actor import Actor
from shop.models import Site

_FIGURE = re.compile(r"[0-9]{1,12}(\.[0-9]{1,12})?\Z")


class SizeTable(TableKind):
    code = "sizes"
    title = "Sizes and how many to keep"
    named_by = ("family", "size")
    most_rows = MOST_ROWS
    columns = (
        Column(name="family", longest=20),
        Column(name="size", kind=Kind.LENGTH),
        Column(name="marking", longest=20, required=False),
        Column(name="minimum", kind=Kind.WHOLE, required=False),
    )

    def checker(self, site: Site) -> "SizeChecker":
        return SizeChecker(site)

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
        families = {family.code: family for family in ShimFamily.objects.all()}
        wanted = {
            (families[values["family"]], values["size"]["nm"]): values["minimum"] or 0 for _, values in rows
        }
        return lambda: set_minimums(site=site, actor=actor, at=at, wanted=wanted)

    def export(self, site: Site) -> Iterator[Sequence[Cell]]:
        kept = _kept(site)
        for family in ShimFamily.objects.order_by("code"):
            for nm in family.sizes_nm():
                marking = marking_of(MarkingRule(family.marking), nm)
                yield family.code, show(nm), marking, kept.get((family.code, nm), "")


class SizeChecker(Checker):
    """The families, what the site keeps of each size, and the rows seen so far."""

    def __init__(self, site: Site) -> None:
        self._families = {family.code: family for family in ShimFamily.objects.all()}
        self._kept = _kept(site)
        self._seen: dict[tuple[str, int], int] = {}

    def judge(self, number: int, values: Values) -> Verdict:
        wrong = self._wrong(values)
        if wrong:
            return Verdict(fate=Fate.WRONG, message=wrong)
        key = (values["family"], values["size"]["nm"])
        if key in self._seen:
            return Verdict(
                fate=Fate.WRONG, message=f"names the same size as row {self._seen[key]}; make it one row"
            )
        self._seen[key] = number
        was, now = self._kept.get(key, 0), values["minimum"] or 0
        if was == now:
            return Verdict(fate=Fate.SAME)
        words = what_changes({"minimum": str(was)}, {"minimum": str(now)})
        return Verdict(fate=Fate.CHANGED if was else Fate.NEW, message=words)

    def _wrong(self, values: Values) -> str:
        family = self._families.get(values["family"])
        if family is None:
            return f"there is no shim family {values['family']}"
        nm = values["size"]["nm"]
        try:
            check_new_shim(family.range, from_nm(nm), "size")
        except LengthError as error:
            return error.message.rstrip(".")
        marking = marking_of(MarkingRule(family.marking), nm)
        if values["marking"] is not None and not _same_marking(values["marking"], marking):
            return f"{show(nm)} mm of {family.code} is marked {marking}, not {values['marking']}"
        if (values["minimum"] or 0) > MOST:
            return f"minimum must be 0 to {MOST:,}"
        return ""


def _same_marking(keyed: str, marking: str) -> bool:
    """As it is stamped, or as a spreadsheet program writes that figure: 1.8 for 1.800."""
    if keyed == marking:
        return True
    return bool(_FIGURE.match(keyed) and _FIGURE.match(marking)) and Decimal(keyed) == Decimal(marking)


def _kept(site: Site) -> dict[tuple[str, int], int]:
    rows = StockMinimum.objects.filter(site=site, minimum__gt=0)
    return {
        (family, nm): minimum
        for family, nm, minimum in rows.values_list("family__code", "thickness_nm", "minimum")
    }


SIZES = register(SizeTable())
