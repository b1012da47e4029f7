"""One inspection takes one shim away: its outcome is kept, and refused a second time.

Shims of one lot cannot be told apart in the books, so what leaves the bench without naming an inspection
takes those that proposed just that, the oldest first; any other only where no shim would be left for it. Who
takes shims from the bench, or inspects one, has the bench to himself (`lock_bench`).
"""

from collections import Counter
from collections.abc import Mapping, Sequence

from inventory.compute.lengths import show
from inventory.models import Balance, Inspection, Movement, Place, PlaceKind, Reason
from inventory.selectors.inspections import Lot, became, lies_as, waiting_inspections
from inventory.selectors.movements import origin_of
from inventory.services.shim_lines import Shims
from shop.errors import Conflict, FieldError, Invalid
from shop.models import Site

_FATES = {Reason.SCRAP: Inspection.Fate.SCRAP, Reason.RETURN_TO_BIN: Inspection.Fate.BIN}


class ProposedForScrap(Conflict):
    """A shim whose inspection proposed scrap would be kept: is that meant?"""

    code = "proposed-for-scrap"


def refuse_taken(inspection: Inspection) -> None:
    """Raises Conflict when something became of its shim already."""
    if words := became(inspection):
        raise Conflict(f"Nothing was booked: this shim was already {words}.", code="already-taken")


def lock_bench(site: Site) -> Place:
    """The inspection place, for one person at a time. Take it before holds and balances."""
    # NO KEY: whoever brings shims to the bench meanwhile refers to this row and need not wait.
    return Place.objects.select_for_update(no_key=True).get(site=site, kind=PlaceKind.INSPECTION)


def waiting_one(inspection: Inspection, site: Site, shims: Sequence[Shims]) -> Inspection:
    """The inspection of one of these shims as it is now, for keep_taken. The bench is locked.

    Raises Conflict when something became of its shim already, Invalid when its shim is not among these.
    """
    fresh = Inspection.objects.get(pk=inspection.pk)
    refuse_taken(fresh)
    nm, condition = lies_as(fresh)
    alike = (
        line.family.pk == fresh.family_id
        and line.thickness_nm == nm
        and line.condition == (condition or line.condition)
        for line in shims
    )
    if fresh.site_id != site.pk or not any(alike):
        words = "the shim of this inspection is not among these"
        raise Invalid(f"Nothing was booked: {words}.", errors=[FieldError("/inspection", words)])
    return fresh


def refuse_proposed_for_scrap(
    shims: Sequence[Shims],
    bench: Place,
    reason: Reason,
    named: Inspection | None = None,
    *,
    asked_too: Sequence[FieldError],
    pointers: Sequence[str] | None = None,
) -> None:
    """Raise ProposedForScrap where these shims of the bench would be kept and inspections that proposed scrap
    would end with it. `named` as for keep_taken; the bench is locked.

    asked_too: what else has to be confirmed, since one answer confirms everything. `pointers`: one per lot,
    where they are not "/lines/<n>".
    """
    waiting = waiting_inspections(bench.site)
    known = [*([named] if named else []), *(each for some in waiting.values() for each in some)]
    if all(each.fate != Inspection.Fate.SCRAP for each in known):
        return
    gone: Counter[Lot] = Counter()
    named_at: dict[Lot, str] = {}
    for index, line in enumerate(shims):
        lot = Lot(line.family.pk, line.thickness_nm, line.condition)
        gone[lot] += line.quantity
        named_at.setdefault(lot, pointers[index] if pointers else f"/lines/{index}")
    here = _lying(bench)
    here.subtract(gone)
    spent = _ended(gone, here, waiting, reason, named)
    errors = [
        FieldError(
            "/inspection" if each == named else named_at[_lot(each)],
            f"scrap is proposed for the {show(each.thickness_nm)} mm that {each.by} inspected, because "
            f"{each.why[:1].lower()}{each.why[1:].rstrip('.')}",
        )
        for each in spent
        if each.fate == Inspection.Fate.SCRAP
    ]
    if errors:
        errors += asked_too
        details = "; ".join(dict.fromkeys(error.detail for error in errors))
        raise ProposedForScrap(
            f"Nothing was booked: {details}. Scrap it, inspect it again, or confirm that it is to be kept.",
            errors=errors,
        )


def keep_taken(movement: Movement, bench: Place, named: Inspection | None = None) -> Movement:
    """Note at the inspections of the shims that this movement took from the bench that it did. `named`: one
    of them, from waiting_one. The bench is locked."""
    gone = _left_bench(movement, bench)
    alone = named is not None and gone.total() == 1
    waiting = {} if alone else waiting_inspections(movement.site)
    spent = _ended(gone, _lying(bench), waiting, Reason(movement.reason), named)
    Inspection.objects.filter(pk__in=[each.pk for each in spent]).update(taken=movement)
    return movement


def give_back(movement: Movement) -> Inspection | None:
    """Have the inspections whose shims this movement took wait again, since it is being reversed. The bench
    is locked.

    Of a measuring, its inspection comes back, for keep_taken: it is over with its shim set back to how it was
    found. Where it had replaced an earlier one, that one counts again; and is replaced again when the
    measuring holds after all, since it was its reversal that is reversed.
    """
    Inspection.objects.filter(taken=movement).update(taken=None)
    first, undoes = origin_of(movement)
    made = Inspection.objects.filter(movement=first, taken=None, looked_again=None).first()
    if made is None:
        return None
    if undoes:
        waiting = Inspection.objects.filter(pk=made.replaces_id, taken=None, looked_again=None)
        waiting.update(looked_again=made)
        return None
    Inspection.objects.filter(looked_again=made).update(looked_again=None)
    return made


def keep_looked_again(inspection: Inspection, earlier: Inspection | None, *, bench: Place) -> None:
    """Note which inspection this one replaces: the one that was named, else the oldest of the lot that its
    shim was found in, where that has no shim left for it. The bench is locked."""
    if earlier is None:
        found = Lot(inspection.family_id, inspection.found_nm or 0, inspection.found_condition)
        rows = Balance.objects.filter(
            place=bench, family=found.family, thickness_nm=found.thickness_nm, condition=found.condition
        )
        here = rows.values_list("on_hand", flat=True).first() or 0
        own = 1 if _lot(inspection) == found else 0
        others = [each for each in waiting_inspections(inspection.site).get(found, ()) if each != inspection]
        earlier = next(iter(_spent(others, 1, here - own, "")), None)
    if earlier is not None:
        earlier.looked_again, inspection.replaces = inspection, earlier
        earlier.save(update_fields=["looked_again"])
        inspection.save(update_fields=["replaces"])


def _ended(
    gone: Counter[Lot],
    here: Counter[Lot],
    waiting: Mapping[Lot, Sequence[Inspection]],
    reason: Reason,
    named: Inspection | None,
) -> list[Inspection]:
    """Which inspections end when `gone` has left the bench, and `here` lies there still."""
    gone, spent = gone.copy(), []
    if named is not None:
        gone[_lot(named)] -= 1
        spent.append(named)
    for lot, number in gone.items():
        others = [each for each in waiting.get(lot, ()) if each not in spent]
        spent += _spent(others, number, here[lot], _FATES.get(reason, ""))
    return spent


def _lying(bench: Place) -> Counter[Lot]:
    return Counter(
        {
            Lot(row.family_id, row.thickness_nm, row.condition): row.on_hand
            for row in Balance.objects.filter(place=bench, on_hand__gt=0)
        }
    )


def _lot(inspection: Inspection) -> Lot:
    return Lot(inspection.family_id, *lies_as(inspection))


def _left_bench(movement: Movement, bench: Place) -> Counter[Lot]:
    gone: Counter[Lot] = Counter()
    for line in movement.lines.filter(place=bench):
        gone[Lot(line.family_id, line.thickness_nm, line.condition)] -= line.quantity
    return +gone


def _spent(waiting: Sequence[Inspection], gone: int, left: int, fate: str) -> list[Inspection]:
    """Which of the inspections of one lot, oldest first, end with `gone` of its shims, `left` remaining."""
    alike = [each for each in waiting if fate and each.fate == fate][: max(gone, 0)]
    others = [each for each in waiting if each not in alike]
    return alike + others[: max(0, min(len(others) - left, gone - len(alike)))]
