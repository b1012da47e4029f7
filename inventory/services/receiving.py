"""Taking in what was bought: booked once, held at once for the jobs that wait, the most urgent first."""

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import datetime

from inventory.compute.lengths import show
from inventory.models import Condition, Need, Place, PlaceKind, PurchaseLine, PurchaseList, Reason, Receipt
from inventory.selectors.places import bin_for, place_of
from inventory.services import news
from inventory.services.holds import Wanted, record_hold
from inventory.services.ledger import Line, ShimKey, post_movement, transfer
from inventory.services.list_events import note
from inventory.services.purchasing import MOST_URGENT_FIRST, STOCK_ARRIVED, refuse_changed, refuse_closed
from inventory.services.receipts import (
    BeyondTheOrder,
    Found,
    bad_findings,
    beyond_the_order,
    fails,
    in_words_of,
    write_receipt,
)
from inventory.services.shim_lines import Shims, kept_for_others, refuse_other_family
from inventory.services.texts import check_texts, in_words
from shop.actor import Actor
from shop.background.queue import queue_task
from shop.db import write_transaction
from shop.errors import FieldError, Invalid, NotFound, WrongState
from shop.models import Site
from shop.roles import Action

_NOTHING_ELSE = Found()


@write_transaction
def receive_purchase(
    *,
    purchase_list: PurchaseList,
    actor: Actor,
    at: datetime,
    received: Mapping[uuid.UUID, int],
    bins: Mapping[uuid.UUID, Place] | None = None,
    version: int | None = None,
    confirm: bool = False,
    found: Mapping[uuid.UUID, Found] | None = None,
    document: str = "",
) -> PurchaseList:
    """Take in what came of a list: line id -> how many as ordered; `found`: what else was found of a line.

    The shims go to the bin named for the line, else to the bin where that size belongs, else to receiving,
    and are held at once for the jobs that wait for them, the most urgent first; the jobs are woken. What is
    beyond the order goes to receiving. What is damaged, of a wrong size, or of a lot whose sample fails goes
    to inspection; it is claimed from the supplier, as is what the delivery note has and the parcel has not,
    and all of it is still outstanding.

    `version`: the list's version that the caller saw; StaleVersion when it has changed since, so that two who
    key in one delivery book it once. confirm: also more damaged and wrong ones than are outstanding, and into
    bins that are kept for another family. Raises WrongState for a list that is closed, Invalid for more than
    is outstanding, and for a line that jobs wait for and that no bin takes.
    """
    actor.must(Action.RECEIVE, purchase_list.site)
    purchase_list = (
        PurchaseList.objects.select_for_update(of=("self",))
        .select_related("site", "supplier")
        .get(pk=purchase_list.pk)
    )
    must_be_coming(purchase_list, version)
    lines = {line.pk: line for line in purchase_list.lines.select_related("family")}
    found = {pk: each for pk, each in (found or {}).items() if each != _NOTHING_ELSE}
    check_texts(Receipt, document=document)
    _refuse_bad_receipt(received, found, lines)
    rejected = {
        pk: quantity for pk, quantity in received.items() if quantity and fails(lines[pk], found.get(pk))
    }
    came = {pk: quantity for pk, quantity in received.items() if quantity and pk not in rejected}
    site = purchase_list.site
    targets = _targets(site, came, lines, bins or {})
    if not confirm:
        _ask_whether_meant(received, found, came, lines, bins or {})
    needs = _needs_met(came)
    _refuse_homeless(needs, lines, targets)
    wanted = {
        job_id: [(need, _wanted(need, lines[need.line_id], targets[need.line_id])) for need in met]
        for job_id, met in _by_job(needs).items()
    }
    for_stock = [need.pk for need in needs if need.job_id is None]
    if for_stock:
        Need.objects.filter(pk__in=for_stock).update(state=Need.State.MET)
    promises: dict[ShimKey, int] = defaultdict(int)
    for pairs in wanted.values():
        for _, want in pairs:
            promises[want.key] += want.quantity
    moves = _moves(site, lines, came, rejected, found, targets)
    movement = None
    if moves:
        movement = post_movement(
            site=site,
            reason=Reason.RECEIVE,
            actor=actor,
            at=at,
            lines=moves,
            document=str(purchase_list),
            note=document,
            hold=promises,
        )
    for pairs in wanted.values():
        _hold_and_wake(site, actor, at, pairs)
    for pk, quantity in came.items():
        lines[pk].received += quantity
    PurchaseLine.objects.bulk_update([lines[pk] for pk in came], ["received"])
    if movement is not None:
        purchase_list.state = PurchaseList.State.PARTLY
    if all(line.received == line.quantity for line in lines.values()):
        purchase_list.state, purchase_list.closed_at = PurchaseList.State.RECEIVED, at
    purchase_list.version += 1
    purchase_list.save(update_fields=["state", "closed_at", "version"])
    write_receipt(
        purchase_list=purchase_list,
        lines=lines,
        came=came,
        rejected=rejected,
        found=found,
        movement=movement,
        document=document,
        actor=actor,
        at=at,
    )
    text = in_words_of(lines, came, rejected, found)
    note(purchase_list, "receive", by=actor.label, at=at, text=text)
    if came:
        news.delivery_received(purchase_list, lines, came, at)
    return purchase_list


def _moves(
    site: Site,
    lines: Mapping[uuid.UUID, PurchaseLine],
    came: Mapping[uuid.UUID, int],
    rejected: Mapping[uuid.UUID, int],
    found: Mapping[uuid.UUID, Found],
    targets: Mapping[uuid.UUID, Place],
) -> list[Line]:
    """The lines of the movement that takes a delivery in; [] where nothing was in the parcel."""
    receiving, inspection = PlaceKind.RECEIVING, PlaceKind.INSPECTION
    goes: list[tuple[uuid.UUID, Place | PlaceKind, int, int]] = [
        (pk, targets.get(pk, receiving), lines[pk].thickness_nm, count) for pk, count in came.items()
    ]
    goes += [(pk, inspection, lines[pk].thickness_nm, count) for pk, count in rejected.items()]
    for pk, each in found.items():
        goes.append((pk, receiving, lines[pk].thickness_nm, each.over))
        goes.append((pk, inspection, lines[pk].thickness_nm, each.damaged))
        if each.wrong_nm is not None:
            goes.append((pk, inspection, each.wrong_nm, each.wrong))
    goes = [(pk, target, thickness_nm, count) for pk, target, thickness_nm, count in goes if count]
    kinds = {target for _, target, _, _ in goes if isinstance(target, PlaceKind)}
    places = {kind: place_of(site, kind) for kind in (PlaceKind.SUPPLIER, *sorted(kinds))}
    return [
        line
        for pk, target, thickness_nm, count in goes
        for line in transfer(
            source=places[PlaceKind.SUPPLIER],
            target=places[target] if isinstance(target, PlaceKind) else target,
            family_id=lines[pk].family_id,
            thickness_nm=thickness_nm,
            condition=Condition.NEW,
            quantity=count,
            pointer=f"/bins/{pk}",
        )
    ]


def _targets(
    site: Site,
    came: Mapping[uuid.UUID, int],
    lines: Mapping[uuid.UUID, PurchaseLine],
    bins: Mapping[uuid.UUID, Place],
) -> dict[uuid.UUID, Place]:
    """The bin of each line; lines for which there is none are missing."""
    errors = [
        FieldError(f"/bins/{pk}", f"{place.code} is no bin in use at {site.name}")
        for pk, place in bins.items()
        if place.site_id != site.id or place.kind != PlaceKind.BIN or place.retired_at
    ]
    if errors:
        raise Invalid(in_words("Nothing was booked", errors), errors=errors)
    named = {pk: bins.get(pk) or bin_for(site, lines[pk].family, lines[pk].thickness_nm) for pk in came}
    return {pk: place for pk, place in named.items() if place is not None}


def _ask_whether_meant(
    received: Mapping[uuid.UUID, int],
    found: Mapping[uuid.UUID, Found],
    came: Mapping[uuid.UUID, int],
    lines: Mapping[uuid.UUID, PurchaseLine],
    bins: Mapping[uuid.UUID, Place],
) -> None:
    named = [pk for pk in came if pk in bins]
    pointers = [f"/bins/{pk}" for pk in named]
    shims = [
        Shims(
            family=lines[pk].family,
            thickness_nm=lines[pk].thickness_nm,
            condition=Condition.NEW,
            quantity=came[pk],
            place=bins[pk],
        )
        for pk in named
    ]
    if errors := beyond_the_order(found, received, lines):
        # Both questions at once: one answer confirms both, so nothing may be confirmed that was not asked.
        errors += kept_for_others(shims, pointers)
        words = in_words("Nothing was booked", errors)
        raise BeyondTheOrder(f"{words} Put it right, or confirm that it is so.", errors=errors)
    refuse_other_family(shims, confirm=False, pointers=pointers)


def _needs_met(came: Mapping[uuid.UUID, int]) -> list[Need]:
    """The needs that these lines were bought for, locked, the most urgent of each line first."""
    needs = (
        Need.objects.select_for_update()
        .filter(line__in=list(came), state=Need.State.BOUGHT)
        .order_by(*MOST_URGENT_FIRST)
    )
    left = dict(came)
    met = []
    for need in needs:
        if left[need.line_id]:
            left[need.line_id] -= 1
            met.append(need)
    return met


def _by_job(needs: Sequence[Need]) -> dict[uuid.UUID, list[Need]]:
    found: dict[uuid.UUID, list[Need]] = defaultdict(list)
    for need in needs:
        if need.job_id is not None:
            found[need.job_id].append(need)
    return found


def _wanted(need: Need, line: PurchaseLine, place: Place) -> Wanted:
    return Wanted(
        place=place,
        family_id=need.family_id,
        thickness_nm=line.thickness_nm,
        condition=Condition.NEW,
        quantity=1,
        label=need.valve_label,
    )


def _hold_and_wake(site: Site, actor: Actor, at: datetime, pairs: Sequence[tuple[Need, Wanted]]) -> None:
    """Write down the hold of what one job's needs were met with, and queue its waking."""
    first = pairs[0][0]
    # Met before the hold is made, which stands longer while anything is still to come.
    Need.objects.filter(pk__in=[need.pk for need, _ in pairs]).update(state=Need.State.MET)
    record_hold(
        site=site,
        actor=actor,
        at=at,
        lines=[want for _, want in pairs],
        reference=first.job_label,
        job_id=first.job_id,
    )
    queue_task(STOCK_ARRIVED, {"job": str(first.job_id)}, site=site, at=at)


def _refuse_homeless(
    needs: Sequence[Need], lines: Mapping[uuid.UUID, PurchaseLine], targets: Mapping[uuid.UUID, Place]
) -> None:
    """What jobs wait for must go to a bin: what lies in receiving cannot be held, and they would wait on."""
    homeless = {need.line_id: need for need in needs if need.job_id and need.line_id not in targets}
    errors = [
        FieldError(
            f"/bins/{pk}",
            f"name a bin for the {show(lines[pk].thickness_nm)} mm, for which {need.job_label} waits",
        )
        for pk, need in homeless.items()
    ]
    if errors:
        raise Invalid(in_words("Nothing was booked", errors), errors=errors)


def _refuse_bad_receipt(
    received: Mapping[uuid.UUID, int],
    found: Mapping[uuid.UUID, Found],
    lines: Mapping[uuid.UUID, PurchaseLine],
) -> None:
    if unknown := sorted(map(str, (set(received) | set(found)) - set(lines))):
        raise NotFound(
            f"The list has no line {unknown[0]}.",
            errors=[FieldError(f"/received/{pk}/line", "the list has no such line") for pk in unknown],
        )
    errors = []
    for pk, quantity in received.items():
        outstanding = lines[pk].quantity - lines[pk].received
        if not 0 <= quantity <= outstanding:
            errors.append(
                FieldError(
                    f"/received/{pk}",
                    f"{quantity} received of {show(lines[pk].thickness_nm)} mm, {outstanding} outstanding",
                )
            )
    errors += bad_findings(found, received, lines)
    if not any(received.values()) and not any(each.says_something for each in found.values()):
        errors.append(FieldError("/received", "say how many came"))
    if errors:
        raise Invalid(in_words("Nothing was booked", errors), errors=errors)


def must_be_coming(purchase_list: PurchaseList, version: int | None) -> None:
    """Raise WrongState for a list of which nothing is to come, and StaleVersion for one that changed since
    `version` was seen."""
    refuse_closed(purchase_list)
    if purchase_list.state not in PurchaseList.ON_THE_WAY:
        words = purchase_list.get_state_display().lower()
        raise WrongState(
            f"{purchase_list} is {words} and was not sent yet; only what is on its way can be received.",
            extra={"state": purchase_list.state},
        )
    refuse_changed(purchase_list, version)
