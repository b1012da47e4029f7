"""One inspection takes one shim away: its outcome is kept, and refused a second time."""

from collections.abc import Sequence

from inventory.models import Inspection, Movement
from inventory.selectors.inspections import became, lies_as
from inventory.services.shim_lines import Shims
from shop.errors import Conflict, FieldError, Invalid
from shop.models import Site


def refuse_taken(inspection: Inspection) -> None:
    """Raises Conflict when something became of its shim already."""
    if words := became(inspection):
        raise Conflict(f"Nothing was booked: this shim was already {words}.", code="already-taken")


def lock_waiting(inspection: Inspection, site: Site, shims: Sequence[Shims]) -> Inspection:
    """The inspection of one of these shims, locked, for keep_taken. Take it before holds and balances.

    Raises Conflict when something became of its shim already, Invalid when its shim is not among these.
    """
    # Nothing is joined: whoever waited for the lock would get what belonged to the row before it changed.
    locked = Inspection.objects.select_for_update(no_key=True).get(pk=inspection.pk)
    refuse_taken(locked)
    nm, condition = lies_as(locked)
    alike = (
        line.family.pk == locked.family_id
        and line.thickness_nm == nm
        and line.condition == (condition or line.condition)
        for line in shims
    )
    if locked.site_id != site.pk or not any(alike):
        words = "the shim of this inspection is not among these"
        raise Invalid(f"Nothing was booked: {words}.", errors=[FieldError("/inspection", words)])
    return locked


def keep_taken(inspection: Inspection | None, movement: Movement) -> Movement:
    """Note at the inspection, if any, that this movement took its shim away."""
    if inspection is not None:
        inspection.taken = movement
        inspection.save(update_fields=["taken"])
    return movement
