"""Enter or change an engine type: layout, spec with its source, and what else it takes each time."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from inventory.compute.lengths import Length, LengthError, plausible_clearance
from inventory.models import ShimFamily
from inventory.services.texts import text_errors
from jobs.compute.layout import EngineLayout, positions
from jobs.models import EngineItem, EnginePosition, EngineType
from jobs.services.refusals import pointer, refuse, text_faults
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import FieldError
from shop.roles import Action

LASH_RATIO = (Decimal("0.1"), Decimal(10))
_code = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*").fullmatch


@dataclass(frozen=True, slots=True, kw_only=True)
class SideSpec:
    """The maker's clearance of one side, and where the shop sets it; aim None for the default, 60 % of the
    way from tight to loose."""

    min: Length
    max: Length
    aim: Length | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """What the engine takes each time besides shims: "1", "cover gasket", "renew it even if it looks
    well"."""

    name: str
    quantity: str
    note: str = ""


@write_transaction
def add_engine_type(
    *,
    actor: Actor,
    code: str,
    name: str,
    layout: EngineLayout,
    family: ShimFamily,
    intake: SideSpec,
    exhaust: SideSpec,
    spec_source: str,
    lash_ratio: Decimal = Decimal(1),
    items: Sequence[Item] = (),
) -> EngineType:
    """A kind of engine with a position for every valve. Raises Invalid naming every wrong value."""
    actor.must_somewhere(Action.EDIT_CATALOGUE)
    errors = engine_faults(
        code=code,
        name=name,
        intake=intake,
        exhaust=exhaust,
        spec_source=spec_source,
        lash_ratio=lash_ratio,
        items=items,
    )
    if EngineType.objects.filter(code=code).exists():
        errors.append(FieldError("/code", "is taken; choose another"))
    refuse(errors, "The engine type was not entered")
    engine_type = EngineType.objects.create(
        code=code,
        name=name.strip(),
        cylinders=layout.cylinders,
        banks=layout.banks,
        family=family,
        lash_ratio=lash_ratio,
        spec_source=spec_source.strip(),
        **_columns("intake", intake),
        **_columns("exhaust", exhaust),
    )
    EnginePosition.objects.bulk_create(
        EnginePosition(
            engine_type=engine_type,
            label=position.label,
            cylinder=position.cylinder,
            side=position.side,
            bank=position.bank,
            row=position.row,
            column=position.column,
            order=position.order,
        )
        for position in positions(layout)
    )
    _write_items(engine_type, items)
    return engine_type


@write_transaction
def change_engine_type(
    *,
    engine_type: EngineType,
    actor: Actor,
    name: str | None = None,
    intake: SideSpec | None = None,
    exhaust: SideSpec | None = None,
    spec_source: str | None = None,
    lash_ratio: Decimal | None = None,
    items: Sequence[Item] | None = None,
) -> EngineType:
    """Another name, spec or list of what else it takes; None leaves what is there. Layout and family stay:
    jobs point at its valves, and stock is counted by family. Open jobs keep the spec they were opened with.

    A spec that changes names its source anew, because the old source says something else.
    """
    actor.must_somewhere(Action.EDIT_CATALOGUE)
    engine_type = EngineType.objects.select_for_update(of=("self",)).get(pk=engine_type.pk)
    errors = text_faults(
        EngineType,
        **{key: text for key, text in (("name", name), ("spec_source", spec_source)) if text is not None},
    )
    if name is not None and not name.strip():
        errors.append(FieldError("/name", "must not be empty"))
    spec_changes = intake is not None or exhaust is not None or lash_ratio is not None
    if (spec_source is not None or spec_changes) and not (spec_source or "").strip():
        errors.append(
            FieldError("/spec_source", "say where this spec stands, such as the service manual's page")
        )
    errors += lash_faults(lash_ratio) if lash_ratio is not None else []
    errors += spec_faults("intake", intake) if intake else []
    errors += spec_faults("exhaust", exhaust) if exhaust else []
    errors += _item_faults(items) if items is not None else []
    refuse(errors, "The engine type was not changed")
    changed = {"name": name and name.strip(), "spec_source": spec_source and spec_source.strip()}
    changed |= {"lash_ratio": lash_ratio}
    changed |= _columns("intake", intake) if intake else {}
    changed |= _columns("exhaust", exhaust) if exhaust else {}
    for column, value in changed.items():
        # An aim that is left out of a spec that is keyed is the usual aim.
        if value is not None or column.endswith("aim_nm"):
            setattr(engine_type, column, value)
    engine_type.version += 1
    engine_type.save()
    if items is not None:
        engine_type.items.all().delete()
        _write_items(engine_type, items)
    return engine_type


def engine_faults(
    *,
    code: str,
    name: str,
    intake: SideSpec,
    exhaust: SideSpec,
    spec_source: str,
    lash_ratio: Decimal,
    items: Sequence[Item],
) -> list[FieldError]:
    """What is wrong with what was keyed for an engine type, whatever else there is; [] when nothing."""
    errors = text_faults(EngineType, code=code, name=name, spec_source=spec_source)
    if not _code(code):
        errors.append(FieldError("/code", "must be small letters, digits and single hyphens, such as twin-8"))
    if not name.strip():
        errors.append(FieldError("/name", "must not be empty"))
    if not spec_source.strip():
        errors.append(
            FieldError("/spec_source", "say where the spec stands, such as the service manual's page")
        )
    errors += lash_faults(lash_ratio)
    return errors + spec_faults("intake", intake) + spec_faults("exhaust", exhaust) + _item_faults(items)


def _write_items(engine_type: EngineType, items: Sequence[Item]) -> None:
    EngineItem.objects.bulk_create(
        EngineItem(
            engine_type=engine_type, name=item.name, quantity=item.quantity, note=item.note, order=order
        )
        for order, item in enumerate(items)
    )


def _columns(side: str, spec: SideSpec) -> dict[str, int | str | None]:
    return {
        f"{side}_min_nm": spec.min.nm,
        f"{side}_min_keyed": spec.min.keyed,
        f"{side}_max_nm": spec.max.nm,
        f"{side}_max_keyed": spec.max.keyed,
        f"{side}_aim_nm": spec.aim.nm if spec.aim else None,
        f"{side}_aim_keyed": spec.aim.keyed if spec.aim else "",
    }


def spec_faults(side: str, spec: SideSpec) -> list[FieldError]:
    """What is wrong with a side's spec, pointing at /<side>/min and so on; [] when it can be."""
    errors = []
    for name, length in (("min", spec.min), ("max", spec.max), ("aim", spec.aim)):
        try:
            if length is not None:
                plausible_clearance(length, f"{side} {name}")
        except LengthError as error:
            errors.append(FieldError(pointer(side, name), error.message))
    if errors:
        return errors
    if spec.min.nm >= spec.max.nm:
        errors.append(FieldError(pointer(side, "min"), f"{spec.min} must be below the most, {spec.max}"))
    elif spec.aim is not None and not spec.min.nm <= spec.aim.nm <= spec.max.nm:
        errors.append(FieldError(pointer(side, "aim"), f"{spec.aim} must lie from {spec.min} to {spec.max}"))
    return errors


def lash_faults(lash_ratio: Decimal) -> list[FieldError]:
    """What is wrong with a lash ratio; [] for one that can be."""
    low, high = LASH_RATIO
    if not lash_ratio.is_finite() or not low <= lash_ratio <= high:
        return [FieldError("/lash_ratio", f"must be from {low} to {high}")]
    if lash_ratio != lash_ratio.quantize(Decimal("0.000001")):
        return [FieldError("/lash_ratio", "has at most six decimals")]
    return []


def _item_faults(items: Sequence[Item]) -> list[FieldError]:
    errors = []
    for index, item in enumerate(items):
        for name in ("name", "quantity", "note"):
            text, where = getattr(item, name), pointer("items", index, name)
            errors += text_errors(EngineItem, name, text, where)
            if name != "note" and not text.strip():
                errors.append(FieldError(where, "must not be empty"))
    return errors
