"""What a shop's database says, without ids: two shops with equal content were built alike."""

import hashlib
import json
from typing import Any

from inventory.models import (
    Balance,
    Hold,
    Inspection,
    MovementLine,
    Need,
    Offer,
    Place,
    PurchaseLine,
    StockMinimum,
    TalliedLot,
)
from jobs.models import (
    ClearanceReading,
    EngineItem,
    EnginePosition,
    Fit,
    Job,
    JobEvent,
    JobValve,
    PlanLine,
    ShimReading,
)
from shop.models import Bay, Membership

SHIM = ("family__code", "thickness_nm", "condition")
# Table by table, the columns that say what is there; rows are compared in the order of their content.
CONTENT: dict[type, tuple[str, ...]] = {
    Membership: ("site__code", "site__name", "user__username", "user__display_name", "role"),
    Bay: ("site__code", "number"),
    Place: ("site__code", "kind", "code", "cabinet", "row", "column", "family__code", "size_nm"),
    Offer: ("supplier__code", "supplier__name", "supplier__lead_days", "family__code", "price", "currency"),
    EnginePosition: (
        *("engine_type__code", "engine_type__family__code", "engine_type__spec_source", "label"),
        *("engine_type__intake_min_keyed", "engine_type__exhaust_max_keyed", "side", "bank", "row", "column"),
    ),
    EngineItem: ("engine_type__code", "order", "name", "quantity", "note"),
    MovementLine: (
        *("movement__site__code", "movement__seal__position", "movement__reason", "movement__at"),
        *("movement__actor", "movement__document", "movement__note", "position", "place__code", *SHIM),
        "quantity",
    ),
    Balance: ("place__site__code", "place__code", *SHIM, "on_hand", "held"),
    Hold: ("site__code", "reference", "created_at", "state", "expires_at", "handed_out_at", "resolved_at"),
    PurchaseLine: (
        *("purchase_list__site__code", "purchase_list__number", "purchase_list__supplier__code"),
        *("purchase_list__state", "family__code", "thickness_nm", "quantity", "received", "price"),
    ),
    Need: ("site__code", "job_label", "valve_label", "family__code", "thickness_nm", "state"),
    StockMinimum: ("site__code", "family__code", "thickness_nm", "minimum", "changed_at", "changed_by"),
    Inspection: ("site__code", "at", "by", "family__code", "thickness_keyed", "face", "marking_legible"),
    TalliedLot: (
        *("tally__count__site__code", "tally__count__number", "tally__count__place__code"),
        *("tally__count__state", "tally__by", "tally__keyed_at", *SHIM, "counted", "difference"),
    ),
    Job: (
        *("site__code", "number", "vehicle__registration", "vehicle__description", "bay__number", "state"),
        *("tray__code", "unit", "odometer", "opened_at", "opened_by", "promised_at", "closed_at", "round"),
    ),
    JobValve: ("job__site__code", "job__number", "label", "shim_keyed", "shim_known_by", "adjust"),
    JobEvent: ("job__site__code", "job__number", "at", "act", "by", "text"),
    ClearanceReading: (
        *("valve__job__site__code", "valve__job__number", "valve__label", "round", "sequence"),
        *("passes_keyed", "stops_keyed", "at", "by"),
    ),
    ShimReading: (
        *("valve__job__site__code", "valve__job__number", "valve__label", "round", "sequence"),
        *("thickness_keyed", "known_by", "at"),
    ),
    PlanLine: (
        *("plan__job__site__code", "plan__job__number", "plan__number", "plan__state", "label", "verdict"),
        *("action", "thickness_nm", "from_valve", "from_place__code", "guaranteed", "why"),
    ),
    Fit: ("valve__job__site__code", "valve__job__number", "valve__label", "round", "fitted_nm", "removed_nm"),
}


def content() -> dict[str, list[tuple[Any, ...]]]:
    """Every row by its table's name, as text, in the order of the content."""
    return {
        model.__name__: sorted(
            tuple(str(value) for value in row) for row in model.objects.values_list(*columns)
        )
        for model, columns in CONTENT.items()
    }


def fingerprint(rows: dict[str, list[tuple[Any, ...]]]) -> str:
    return hashlib.sha256(json.dumps(rows, sort_keys=True).encode()).hexdigest()
