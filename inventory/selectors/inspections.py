"""What became of the one shim that an inspection looked at, and which inspections wait for their outcome."""

import uuid
from collections import defaultdict
from datetime import datetime
from typing import NamedTuple

from django.db.models import Exists, OuterRef
from django.utils import timezone

from inventory.models import Condition, Inspection, Movement, Reason
from inventory.selectors.movements import origin_of
from shop.models import Site

_TAKEN = {
    Reason.SCRAP: "scrapped",
    Reason.REGRADE: "regraded",
    Reason.COUNT: "missing when the bench was counted, posted",
    Reason.REVERSE: "taken back with the movement that brought it here",
}


class Lot(NamedTuple):
    """What the books tell shims on the bench apart by."""

    family: uuid.UUID
    thickness_nm: int
    condition: str


def became(inspection: Inspection) -> str:
    """What its shim was done with, when and by whom: "scrapped 26 Nov, 02:40 by Edda"; "" while it waits on
    the bench. What was done counts no more once its movement is reversed."""
    if again := inspection.looked_again:
        return f"inspected again {_when(again.at)} by {again.by}"
    undone = Movement.objects.filter(
        reverses__in=[inspection.movement_id, inspection.taken_id], reversed_by=None
    )
    reversals = {movement.reverses_id: movement for movement in undone}
    if back := reversals.get(inspection.movement_id):
        return f"set back to how it was found {_when(back.at)} by {back.actor}"
    taken = inspection.taken
    if taken is None or taken.pk in reversals:
        return ""
    who = f"{_when(taken.at)} by {taken.actor}"
    if inspection.movement_id is not None and origin_of(taken)[0].pk == inspection.movement_id:
        return f"set back to how it was found {who}"
    if word := _TAKEN.get(Reason(taken.reason)):
        return f"{word} {who}"
    into = taken.lines.filter(family=inspection.family_id, quantity__gt=0).select_related("place")
    line = into.filter(thickness_nm=lies_as(inspection)[0]).first() or into.first()
    return f"put into bin {line.place.code} {who}" if line else f"put away {who}"


def waiting_inspections(site: Site) -> dict[Lot, list[Inspection]]:
    """Those of which nothing became yet, by the lot that their shim lies in, the oldest first.

    Old inspections that did not keep what their shim was found as are left out: what became of theirs was
    not kept either.
    """
    rows = (
        Inspection.objects.filter(site=site, taken=None, looked_again=None, found_nm__isnull=False)
        .exclude(Exists(Movement.objects.filter(reverses=OuterRef("movement"), reversed_by=None)))
        .select_related("proposed_bin")
        .order_by("at", "id")
    )
    found: dict[Lot, list[Inspection]] = defaultdict(list)
    for inspection in rows:
        found[Lot(inspection.family_id, *lies_as(inspection))].append(inspection)
    return found


def lies_as(inspection: Inspection) -> tuple[int, str]:
    """Thickness and condition that its shim has at the inspection place: as it was measured, or as it was
    found where the books did not move. The condition is "" for old inspections, which did not keep it."""
    if inspection.movement_id is not None:
        return inspection.thickness_nm, Condition.USED.value
    if inspection.found_nm is None:
        return inspection.thickness_nm, ""
    return inspection.found_nm, inspection.found_condition


def _when(at: datetime) -> str:
    return f"{timezone.localtime(at):%-d %b, %H:%M}"
