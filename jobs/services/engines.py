"""Enter an engine type: its layout, its spec with the source named, and what else it takes each time."""

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
    errors = text_faults(EngineType, code=code, name=name, spec_source=spec_source)
    if not _code(code):
        errors.append(FieldError("/code", "must be small letters, digits and single hyphens, such as twin-8"))
    elif EngineType.objects.filter(code=code).exists():
        errors.append(FieldError("/code", "is taken; choose another"))
    if not name.strip():
        errors.append(FieldError("/name", "must not be empty"))
    if not spec_source.strip():
        errors.append(
            FieldError("/spec_source", "say where the spec stands, such as the service manual's page")
        )
    errors += _lash_faults(lash_ratio)
    errors += _spec_faults("intake", intake) + _spec_faults("exhaust", exhaust) + _item_faults(items)
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
    EngineItem.objects.bulk_create(
        EngineItem(
            engine_type=engine_type, name=item.name, quantity=item.quantity, note=item.note, order=order
        )
        for order, item in enumerate(items)
    )
    return engine_type


def _columns(side: str, spec: SideSpec) -> dict[str, int | str | None]:
    return {
        f"{side}_min_nm": spec.min.nm,
        f"{side}_min_keyed": spec.min.keyed,
        f"{side}_max_nm": spec.max.nm,
        f"{side}_max_keyed": spec.max.keyed,
        f"{side}_aim_nm": spec.aim.nm if spec.aim else None,
        f"{side}_aim_keyed": spec.aim.keyed if spec.aim else "",
    }


def _spec_faults(side: str, spec: SideSpec) -> list[FieldError]:
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


def _lash_faults(lash_ratio: Decimal) -> list[FieldError]:
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
