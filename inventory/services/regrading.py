"""A shim that is not what the books say: of another thickness, condition or family."""

from dataclasses import replace
from datetime import datetime

from inventory.compute.lengths import Length, LengthError, show
from inventory.compute.sizes import check_new_shim, check_used_shim
from inventory.models import Condition, Movement, Place, PlaceKind, Reason, ShimFamily
from inventory.selectors.places import place_of
from inventory.services.hold_state import lock_holds
from inventory.services.inspection_fate import keep_taken, lock_bench, refuse_proposed_for_scrap
from inventory.services.ledger import Line, post_movement
from inventory.services.shim_lines import (
    Shims,
    kept_for_others,
    must_say,
    refuse,
    refuse_bad_lots,
    refuse_other_family,
)
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import FieldError, WrongState
from shop.models import Site
from shop.roles import Action

REGRADED_IN = (PlaceKind.BIN, PlaceKind.INSPECTION, PlaceKind.RECEIVING)


@write_transaction
def regrade_shims(
    *,
    site: Site,
    actor: Actor,
    at: datetime,
    found: Shims,
    measured: Length,
    note: str,
    condition: str = Condition.USED,
    family: ShimFamily | None = None,
    target: Place | None = None,
    confirm: bool = False,
) -> Movement:
    """Book shims as what they turned out to be. `found`: as the books have them, with their place.

    measured: their thickness by the micrometer, or, for `condition` new, their size. family: the one that
    they are really of, None where that is right. target: the bin that they go to, None to leave them where
    they are. Raises NotEnough where they are not there or are held, WrongState for a shim that was not
    measured yet (that one is inspected), Invalid where nothing would change.
    """
    actor.must(Action.REGRADE, site)
    must_say("/note", note, "Say why the shims are regraded.")
    refuse_bad_lots([found], site, REGRADED_IN, pointers=["/found"])
    if found.condition == Condition.UNMEASURED:
        raise WrongState("These shims were not measured yet: inspect them instead.")
    really = family or found.family
    _refuse_bad_target(site, target)
    _refuse_bad_grade(found, really, measured, condition)
    place = found.place
    if place is None:
        raise AssertionError("refuse_bad_lots lets no lot without its place through")
    bench = lock_bench(site) if place.kind == PlaceKind.INSPECTION else None
    going = [replace(found, family=really, place=target)]
    if bench and not confirm:
        also = kept_for_others(going, ["/target"])
        refuse_proposed_for_scrap([found], bench, Reason.REGRADE, asked_too=also, pointers=["/found"])
    refuse_other_family(going, confirm=confirm, pointers=["/target"])
    gone = Line(
        place=place,
        family_id=found.family.id,
        thickness_nm=found.thickness_nm,
        condition=found.condition,
        quantity=-found.quantity,
        pointer="/found",
    )
    come = Line(
        place=target or place,
        family_id=really.id,
        thickness_nm=measured.nm,
        condition=condition,
        quantity=found.quantity,
    )
    lines = [gone, come]
    if really.id != found.family.id:
        # Lines sum to zero in each family: one loses what the other gains, both against the difference.
        difference = place_of(site, PlaceKind.DIFFERENCE)
        lines = [gone, _against(gone, difference), _against(come, difference), come]
    movement = post_movement(
        site=site,
        reason=Reason.REGRADE,
        actor=actor,
        at=at,
        lines=lines,
        note=note,
        unhold=lock_holds(site=site, at=at).freed,
    )
    return keep_taken(movement, bench) if bench else movement


def _against(line: Line, place: Place) -> Line:
    return Line(
        place=place,
        family_id=line.family_id,
        thickness_nm=line.thickness_nm,
        condition=line.condition,
        quantity=-line.quantity,
    )


def _refuse_bad_target(site: Site, target: Place | None) -> None:
    if target is None:
        return
    if target.site_id != site.id or target.kind != PlaceKind.BIN or target.retired_at:
        refuse([FieldError("/target", f"{target.code} is no bin in use at {site.name}")])


def _refuse_bad_grade(found: Shims, really: ShimFamily, measured: Length, condition: str) -> None:
    if condition not in (Condition.NEW, Condition.USED):
        refuse([FieldError("/condition", "must be new or used")])
    check = check_new_shim if condition == Condition.NEW else check_used_shim
    try:
        check(really.range, measured)
    except LengthError as error:
        refuse([FieldError("/measured", error.message)])
    if (really.id, measured.nm, condition) == (found.family.id, found.thickness_nm, found.condition):
        words = f"the books have these shims as {show(measured.nm)} mm, {condition}, already"
        refuse([FieldError("/measured", words)])
