"""What became of the one shim that an inspection looked at."""

from datetime import datetime

from django.utils import timezone

from inventory.models import Condition, Inspection, Movement, Reason


def became(inspection: Inspection) -> str:
    """What its shim was done with, when and by whom: "scrapped 26 Nov, 02:40 by Edda"; "" while it waits on
    the bench. What was done counts no more once its movement is reversed."""
    if again := inspection.looked_again:
        return f"inspected again {_when(again.at)} by {again.by}"
    undone = Movement.objects.filter(reverses__in=[inspection.movement_id, inspection.taken_id])
    reversals = {movement.reverses_id: movement for movement in undone}
    if back := reversals.get(inspection.movement_id):
        return f"set back to how it was found {_when(back.at)} by {back.actor}"
    taken = inspection.taken
    if taken is None or taken.pk in reversals:
        return ""
    who = f"{_when(taken.at)} by {taken.actor}"
    if taken.reason == Reason.SCRAP:
        return f"scrapped {who}"
    into = taken.lines.filter(family=inspection.family_id, quantity__gt=0).select_related("place")
    line = into.filter(thickness_nm=lies_as(inspection)[0]).first() or into.first()
    return f"put into bin {line.place.code} {who}" if line else f"put away {who}"


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
