"""Shim families as a table. One that is there may be renamed; its sizes stay: stock is counted by them."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime

from inventory.imports.kinds import Checker, Fate, TableKind, Verdict, register
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
        kept = all(values[name]["nm"] == getattr(family, f"{field}_nm") for name, field in LENGTHS.items())
        if not kept or (values["form"], values["marking"]) != (family.form, family.marking):
            return Verdict(
                fate=Fate.WRONG,
                message=f"the family {code} is there with other sizes, form or marking; they cannot change, "
                "because stock is counted by them: choose another code",
            )
        if values["name"] == family.name:
            return Verdict(fate=Fate.SAME)
        return Verdict(fate=Fate.CHANGED, message=f"was called {family.name}")

    def _new(self, values: Values) -> Verdict:
        fields = _fields(values)
        try:
            check_family(**{name: fields[name] for name in ("marking", "thinnest", "thickest", "step")})
        except ShopError as error:
            return Verdict(fate=Fate.WRONG, message=error.message)
        return Verdict(fate=Fate.NEW)


def _fields(values: Values) -> dict:
    texts = {name: values[name] for name in ("code", "name", "form", "marking")}
    return texts | {name: length_of(values[name]) for name in LENGTHS}


FAMILIES = register(FamilyTable())
