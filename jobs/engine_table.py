"""Engine types as a table. The layout and family of one that is there stay: jobs point at its valves.

What an engine takes each time stands in the columns item 1, item 2, … as `quantity | name | note`.
"""

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any

from inventory.imports.kinds import Checker, Fate, TableKind, Verdict, register, what_changes
from inventory.models import ShimFamily
from inventory.services.table_posting import Say
from inventory.services.texts import counted
from inventory.spreadsheets.columns import Column, Kind, Values, length_cell, length_of
from inventory.spreadsheets.writing import Cell
from jobs.compute.layout import EngineLayout, faults
from jobs.models import EngineType
from jobs.services.engines import Item, SideSpec, add_engine_type, change_engine_type, engine_faults
from shop.actor import Actor
from shop.models import Site

MOST_ITEMS = 40
ITEMS = tuple(f"item {number}" for number in range(1, MOST_ITEMS + 1))
LAYOUT = {
    "cylinders": "cylinders",
    "banks": "banks",
    "intake valves": "intake_per_cylinder",
    "exhaust valves": "exhaust_per_cylinder",
}
SIDES = ("intake", "exhaust")
SPEC = {f"{side} {name}": f"{side}_{name}" for side in SIDES for name in ("min", "max", "aim")}
KEPT = frozenset({*LAYOUT, "family"})
_PART = re.compile(r"(?:[^|\\]|\\.)*", re.DOTALL)


class EngineTable(TableKind):
    code = "engine-types"
    title = "Engine types"
    named_by = ("code",)
    most_rows = 200
    columns = (
        Column(name="code", longest=24),
        Column(name="name", longest=80),
        Column(name="cylinders", kind=Kind.WHOLE),
        Column(name="banks", kind=Kind.WHOLE, required=False),
        Column(name="intake valves", kind=Kind.WHOLE),
        Column(name="exhaust valves", kind=Kind.WHOLE),
        Column(name="family", longest=20),
        Column(name="lash ratio", kind=Kind.DECIMAL, required=False),
        *(Column(name=name, kind=Kind.LENGTH, required=not name.endswith("aim")) for name in SPEC),
        Column(name="spec source", longest=200),
        *(Column(name=name, longest=1_000, required=False) for name in ITEMS),
    )

    def checker(self, _site: Site) -> "EngineChecker":
        return EngineChecker()

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
        known = {row.code: row for row in EngineType.objects.all()}
        families = {family.code: family for family in ShimFamily.objects.all()}
        wanted = [
            (_fields(values), _layout(values), families[values["family"]], _items(values)[0])
            for _, values in rows
        ]

        def write() -> None:
            for fields, layout, family, items in wanted:
                if there := known.get(fields["code"]):
                    changes = {name: value for name, value in fields.items() if name != "code"}
                    change_engine_type(engine_type=there, actor=actor, items=items, **changes)
                else:
                    add_engine_type(
                        actor=actor, layout=EngineLayout(**layout), family=family, items=items, **fields
                    )

        return write

    def exported(self, site: Site) -> Sequence[Column]:
        """Only as many columns of items as are needed, but three to show how it is done."""
        used = max((len(row.items.all()) for row in _engines()), default=0)
        spare = MOST_ITEMS - max(used, 3)
        return self.columns[: len(self.columns) - spare]

    def export(self, site: Site) -> Iterator[Sequence[Cell]]:
        for row in _engines():
            layout = _layout_of(row)
            cells = [_item_cell(item.quantity, item.name, item.note) for item in row.items.all()]
            yield (
                row.code,
                row.name,
                *(layout[name] for name in LAYOUT.values()),
                row.family.code,
                _plain(row.lash_ratio),
                *(length_cell(getattr(row, f"{name}_keyed")) for name in SPEC.values()),
                row.spec_source,
                *cells,
            )


class EngineChecker(Checker):
    """The engine types and families that there are, and the rows seen so far."""

    def __init__(self) -> None:
        self._families = set(ShimFamily.objects.values_list("code", flat=True))
        self._known = {row.code: row for row in _engines()}
        self._seen: dict[str, int] = {}

    def judge(self, number: int, values: Values) -> Verdict:
        code = values["code"]
        wrong = self._wrong(values)
        if code in self._seen:
            wrong.insert(0, f"the code {code} stands in row {self._seen[code]} already")
        self._seen.setdefault(code, number)
        if wrong:
            return Verdict(fate=Fate.WRONG, message="; ".join(wrong))
        known = self._known.get(code)
        if known is None:
            return Verdict(fate=Fate.NEW, message=_in_short(values))
        was, now = _different(known, values)
        if fixed := what_changes(*({name: it[name] for name in it if name in KEPT} for it in (was, now))):
            return Verdict(
                fate=Fate.WRONG,
                message=f"the engine type {code} is there; its layout and family cannot change, because jobs "
                f"point at its valves and stock goes by its family: {fixed}; choose another code",
            )
        words = what_changes(was, now)
        return Verdict(fate=Fate.CHANGED, message=words) if words else Verdict(fate=Fate.SAME)

    def _wrong(self, values: Values) -> list[str]:
        wrong = [f"{name.replace('_', ' ')} {text}" for name, text in faults(**_layout(values)).items()]
        if values["family"] not in self._families:
            wrong.append(f"there is no shim family {values['family']}")
        items, bad = _items(values)
        wrong += bad
        return wrong + [
            f"{error.pointer.strip('/').replace('/', ' ').replace('_', ' ')}: {error.detail.rstrip('.')}"
            for error in engine_faults(**_fields(values), items=items)
        ]


def _engines() -> Iterable[EngineType]:
    rows = EngineType.objects.select_related("family").prefetch_related("positions", "items")
    return rows.order_by("code")


def _layout(values: Values) -> dict[str, int]:
    return {field: values[column] if values[column] is not None else 1 for column, field in LAYOUT.items()}


def _layout_of(row: EngineType) -> dict[str, int]:
    sides = [position.side for position in row.positions.all()]
    return {
        "cylinders": row.cylinders,
        "banks": row.banks,
        "intake_per_cylinder": sides.count("intake") // row.cylinders,
        "exhaust_per_cylinder": sides.count("exhaust") // row.cylinders,
    }


def _fields(values: Values) -> dict[str, Any]:
    """What the service takes besides layout, family and items."""
    lengths = {field: length_of(values[column]) if values[column] else None for column, field in SPEC.items()}
    return {
        "code": values["code"],
        "name": values["name"],
        "spec_source": values["spec source"],
        "lash_ratio": Decimal(values["lash ratio"] or 1),
        **{
            side: SideSpec(min=lengths[f"{side}_min"], max=lengths[f"{side}_max"], aim=lengths[f"{side}_aim"])
            for side in SIDES
        },
    }


def _different(row: EngineType, values: Values) -> tuple[dict[str, str], dict[str, str]]:
    """What is said by column of an engine type that is there, and by a row of a table, where they differ.

    A length is the same in whatever unit it was keyed.
    """
    was, now = _said_of(row), _said(values)
    for column, field in SPEC.items():
        if getattr(row, f"{field}_nm") == (values[column]["nm"] if values[column] else None):
            del was[column], now[column]
    return was, now


def _said(values: Values) -> dict[str, str]:
    texts = {name: values[name].strip() for name in ("name", "family", "spec source")}
    layout = {column: str(_layout(values)[field]) for column, field in LAYOUT.items()}
    lengths = {column: values[column]["keyed"] if values[column] else "" for column in SPEC}
    cells = [_item_cell(item.quantity, item.name, item.note) for item in _items(values)[0]]
    ratio = {"lash ratio": _plain(Decimal(values["lash ratio"] or 1))}
    return texts | layout | ratio | lengths | dict(zip(ITEMS, cells, strict=False))


def _said_of(row: EngineType) -> dict[str, str]:
    texts = {"name": row.name, "family": row.family.code, "spec source": row.spec_source}
    layout = {column: str(_layout_of(row)[field]) for column, field in LAYOUT.items()}
    lengths = {column: getattr(row, f"{field}_keyed") for column, field in SPEC.items()}
    cells = [_item_cell(item.quantity, item.name, item.note) for item in row.items.all()]
    ratio = {"lash ratio": _plain(row.lash_ratio)}
    return texts | layout | ratio | lengths | dict(zip(ITEMS, cells, strict=False))


def _in_short(values: Values) -> str:
    layout = _layout(values)
    valves = layout["cylinders"] * (layout["intake_per_cylinder"] + layout["exhaust_per_cylinder"])
    cylinders = counted(layout["cylinders"], "cylinder")
    return f"{cylinders} with {counted(valves, 'valve')}, shims of {values['family']}"


def _items(values: Values) -> tuple[list[Item], list[str]]:
    """The items of a row, and what is wrong with them."""
    items, wrong = [], []
    for column in ITEMS:
        cell = values[column]
        if cell is None:
            continue
        parts = [part.strip() for part in _parts(cell)]
        if not 2 <= len(parts) <= 3:
            wrong.append(f"{column}: write it as quantity | name | note, such as 1 | cover gasket")
            continue
        quantity, name, note = [*parts, ""][:3]
        items.append(Item(name=name, quantity=quantity, note=note))
    return items, wrong


def _parts(cell: str) -> list[str]:
    found, at = [], 0
    while True:
        part = _PART.match(cell, at)
        found.append(re.sub(r"\\(.)", r"\1", part[0], flags=re.DOTALL))
        at = part.end() + 1
        if part.end() >= len(cell):
            return found


def _item_cell(quantity: str, name: str, note: str) -> str:
    parts = [quantity, name, note] if note else [quantity, name]
    return " | ".join(re.sub(r"([|\\])", r"\\\1", part) for part in parts)


def _plain(ratio: Decimal) -> str:
    return format(ratio.normalize(), "f")


ENGINE_TYPES = register(EngineTable())
