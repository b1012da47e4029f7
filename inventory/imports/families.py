"""Shim families as a table. One that is there may be renamed; its sizes stay: stock is counted by them."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime

from inventory.compute.sizes import FamilyRange, sizes
from inventory.imports.kinds import Checker, Fate, TableKind, Verdict, register, what_changes
from inventory.models import ShimFamily
from inventory.services.catalogue import add_family, check_family, rename_family
from inventory.services.table_posting import Say
from inventory.spreadsheets.columns import Column, Kind, Values, length_cell, length_of
from inventory.spreadsheets.writing import Cell
from shop.actor import Actor
from shop.errors import ShopError
from shop.models import Site

LENGTHS = {"diameter": "diameter", "thinnest": "min", "thickest": "max", "step": "step"}


class FamilyTable(TableKind):
    code = "families"
    title = "Shim families"
    named_by = ("code",)
    most_rows = 500
    columns = (
        Column(name="code", longest=20),
        Column(name="name", longest=80),
        Column(name="form", choices=tuple(ShimFamily.Form.values)),
        Column(name="marking", choices=tuple(ShimFamily.Marking.values)),
        *(Column(name=name, kind=Kind.LENGTH) for name in LENGTHS),
    )

    def checker(self, _site: Site) -> "FamilyChecker":
        return FamilyChecker()

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
        wanted = [values for _, values in rows]

        def write() -> None:
            known = {family.code: family for family in ShimFamily.objects.all()}
            for values in wanted:
                if values["code"] in known:
                    rename_family(actor=actor, family=known[values["code"]], name=values["name"])
                else:
                    add_family(actor=actor, **_fields(values))

        return write

    def export(self, site: Site) -> Iterator[Sequence[Cell]]:
        for family in ShimFamily.objects.order_by("code"):
            yield (
                family.code,
                family.name,
                family.form,
                family.marking,
                *(length_cell(getattr(family, f"{field}_keyed")) for field in LENGTHS.values()),
            )


class FamilyChecker(Checker):
    """The families that there are, and the rows seen so far."""

    def __init__(self) -> None:
        self._known = {family.code: family for family in ShimFamily.objects.all()}
        self._seen: dict[str, int] = {}

    def judge(self, number: int, values: Values) -> Verdict:
        code = values["code"]
        if code in self._seen:
            return Verdict(
                fate=Fate.WRONG, message=f"the code {code} stands in row {self._seen[code]} already"
            )
        self._seen[code] = number
        family = self._known.get(code)
        if family is None:
            return self._new(values)
        if fixed := _fixed(family, values):
            return Verdict(
                fate=Fate.WRONG,
                message=f"the family {code} is there; its sizes, form and marking cannot change, because "
                f"stock is counted by them: {fixed}; choose another code",
            )
        if values["name"] == family.name:
            return Verdict(fate=Fate.SAME)
        return Verdict(
            fate=Fate.CHANGED, message=what_changes({"name": family.name}, {"name": values["name"]})
        )

    def _new(self, values: Values) -> Verdict:
        fields = _fields(values)
        try:
            check_family(**{name: fields[name] for name in ("marking", "thinnest", "thickest", "step")})
        except ShopError as error:
            return Verdict(fate=Fate.WRONG, message=error.message.rstrip("."))
        thinnest, thickest, step = (fields[name].nm for name in ("thinnest", "thickest", "step"))
        made = FamilyRange(min_nm=thinnest, max_nm=thickest, step_nm=step)
        return Verdict(fate=Fate.NEW, message=f"{len(sizes(made))} sizes, {made}")


def _fixed(family: ShimFamily, values: Values) -> str:
    """What a row would change of what cannot change, in words; "" where it changes nothing of that."""
    was = {name: getattr(family, name) for name in ("form", "marking")}
    now = {name: values[name] for name in was}
    for name, field in LENGTHS.items():
        if values[name]["nm"] != getattr(family, f"{field}_nm"):
            was[name], now[name] = getattr(family, f"{field}_keyed"), values[name]["keyed"]
    return what_changes(was, now)


def _fields(values: Values) -> dict:
    texts = {name: values[name] for name in ("code", "name", "form", "marking")}
    return texts | {name: length_of(values[name]) for name in LENGTHS}


FAMILIES = register(FamilyTable())
