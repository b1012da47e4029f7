"""What jobs lack: noted as needs, gathered into a list per supplier, bought, received, held for the jobs."""

import uuid
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db.models import F, Max

from inventory.compute.lengths import show
from inventory.models import (
    Condition,
    Need,
    Offer,
    Place,
    PlaceKind,
    PurchaseLine,
    PurchaseList,
    Reason,
    ShimFamily,
    Supplier,
)
from inventory.selectors.places import bin_for, place_of
from inventory.services import news
from inventory.services.hold_times import keep_while_waiting
from inventory.services.holds import Wanted, record_hold
from inventory.services.ledger import MOST_LINES, MOST_QUANTITY, ShimKey, post_movement, transfer
from inventory.services.shim_lines import Shims, refuse_other_family
from inventory.services.texts import in_words
from shop.actor import Actor
from shop.background.queue import queue_task
from shop.db import write_transaction
from shop.errors import FieldError, Invalid, NotFound, StaleVersion, WrongState
from shop.models import Site
from shop.roles import Action

STOCK_ARRIVED = "stock_arrived"
# SQLite would take a need without a date for the most urgent, PostgreSQL for the least.
_MOST_URGENT_FIRST = (F("needed_by").asc(nulls_last=True), "created_at", "id")


@dataclass(frozen=True, slots=True, kw_only=True)
class Lack:
    """One shim that a job's plan wants bought. `line`: it is on its way already, on that line of a list."""

    thickness_nm: int
    valve_label: str
    line: PurchaseLine | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Buy:
    """So many of one size for a purchase list."""

    family: ShimFamily
    thickness_nm: int
    quantity: int


@write_transaction
def note_needs(
    *,
    site: Site,
    at: datetime,
    family: ShimFamily,
    job_id: uuid.UUID,
    job_label: str,
    needed_by: datetime | None,
    lacks: Sequence[Lack],
) -> list[Need]:
    """Note what an accepted plan lacks, in place of what the job lacked before."""
    cancel_needs(job_id=job_id)
    return Need.objects.bulk_create(
        Need(
            site=site,
            family=family,
            thickness_nm=lack.thickness_nm,
            job_id=job_id,
            job_label=job_label,
            valve_label=lack.valve_label,
            needed_by=needed_by,
            created_at=at,
            line=lack.line,
            state=Need.State.OPEN if lack.line is None else Need.State.BOUGHT,
        )
        for lack in lacks
    )


@write_transaction
def cancel_needs(*, job_id: uuid.UUID) -> int:
    """A job no longer lacks anything: what was bought for it goes to stock when it comes."""
    return Need.objects.filter(job_id=job_id, state__in=[Need.State.OPEN, Need.State.BOUGHT]).update(
        state=Need.State.CANCELLED
    )


@write_transaction
def mark_bought(
    *, site: Site, actor: Actor, at: datetime, supplier: Supplier, buys: Sequence[Buy]
) -> PurchaseList:
    """One list to one supplier. Open needs of these sizes are covered by it, the most urgent first; what is
    held for their jobs stands until it has had time to come."""
    actor.must(Action.PURCHASE, site)
    _refuse_bad_buys(buys)
    # Two lists at once would take the same number. NO KEY: whoever books a movement refers to this row.
    Site.objects.select_for_update(no_key=True).get(pk=site.pk)
    number = (PurchaseList.objects.filter(site=site).aggregate(last=Max("number"))["last"] or 0) + 1
    bought = PurchaseList.objects.create(
        site=site, number=number, supplier=supplier, created_at=at, created_by=actor.label
    )
    offers = {offer.family_id: offer for offer in Offer.objects.filter(supplier=supplier)}
    lines = PurchaseLine.objects.bulk_create(_line(bought, buy, offers.get(buy.family.id)) for buy in buys)
    waiting = (
        Need.objects.select_for_update()
        .filter(site=site, state=Need.State.OPEN, family__in={buy.family.id for buy in buys})
        .order_by(*_MOST_URGENT_FIRST)
    )
    by_size = {(line.family_id, line.thickness_nm): line for line in lines}
    left = Counter({line.pk: line.quantity for line in lines})
    covered = []
    for need in waiting:
        line = by_size.get((need.family_id, need.thickness_nm))
        if line is not None and left[line.pk]:
            left[line.pk] -= 1
            need.line, need.state = line, Need.State.BOUGHT
            covered.append(need)
    Need.objects.bulk_update(covered, ["line", "state"])
    keep_while_waiting(jobs={need.job_id for need in covered}, at=at)
    return bought


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
) -> PurchaseList:
    """Take in what came of a list: line id -> how many.

    The shims go to the bin named for the line, else to the bin where that size belongs, else to receiving,
    and are held at once for the jobs that wait for them, the most urgent first; the jobs are woken.

    `version`: the list's version that the caller saw; StaleVersion when it has changed since, so that two who
    key in one delivery book it once. Raises WrongState for a list that is closed, Invalid for more than is
    outstanding, and for a line that jobs wait for and that no bin takes.
    """
    actor.must(Action.RECEIVE, purchase_list.site)
    purchase_list = (
        PurchaseList.objects.select_for_update(of=("self",)).select_related("site").get(pk=purchase_list.pk)
    )
    _refuse_closed(purchase_list)
    if version is not None and purchase_list.version != version:
        raise StaleVersion(
            f"Somebody received part of {purchase_list} meanwhile; nothing was booked. Look at it again."
        )
    lines = {line.pk: line for line in purchase_list.lines.select_related("family")}
    _refuse_bad_receipt(received, lines)
    came = {pk: quantity for pk, quantity in received.items() if quantity}
    site = purchase_list.site
    targets = _targets(site, came, lines, bins or {})
    _refuse_other_family(came, lines, bins or {}, confirm)
    needs = _needs_met(came)
    _refuse_homeless(needs, lines, targets)
    wanted = {
        job_id: [(need, _wanted(need, targets[need.line_id])) for need in met]
        for job_id, met in _by_job(needs).items()
    }
    promises: dict[ShimKey, int] = defaultdict(int)
    for pairs in wanted.values():
        for _, want in pairs:
            promises[want.key] += want.quantity
    supplier, receiving = place_of(site, PlaceKind.SUPPLIER), place_of(site, PlaceKind.RECEIVING)
    post_movement(
        site=site,
        reason=Reason.RECEIVE,
        actor=actor,
        at=at,
        lines=[
            line
            for pk, quantity in came.items()
            for line in transfer(
                source=supplier,
                target=targets.get(pk, receiving),
                family_id=lines[pk].family_id,
                thickness_nm=lines[pk].thickness_nm,
                condition=Condition.NEW,
                quantity=quantity,
                pointer=f"/bins/{pk}",
            )
        ],
        document=str(purchase_list),
        hold=promises,
    )
    for pairs in wanted.values():
        _hold_and_wake(site, actor, at, pairs)
    for pk, quantity in came.items():
        lines[pk].received += quantity
    PurchaseLine.objects.bulk_update(lines.values(), ["received"])
    if all(line.received == line.quantity for line in lines.values()):
        purchase_list.state, purchase_list.closed_at = PurchaseList.State.RECEIVED, at
    purchase_list.version += 1
    purchase_list.save(update_fields=["state", "closed_at", "version"])
    news.delivery_received(purchase_list, lines, came, at)
    return purchase_list


@write_transaction
def cancel_purchase(*, purchase_list: PurchaseList, actor: Actor, at: datetime) -> PurchaseList:
    """The list will not come; its needs are to buy again."""
    actor.must(Action.PURCHASE, purchase_list.site)
    purchase_list = PurchaseList.objects.select_for_update(of=("self",)).get(pk=purchase_list.pk)
    _refuse_closed(purchase_list)
    Need.objects.filter(line__purchase_list=purchase_list, state=Need.State.BOUGHT).update(
        state=Need.State.OPEN, line=None
    )
    purchase_list.state, purchase_list.closed_at = PurchaseList.State.CANCELLED, at
    purchase_list.version += 1
    purchase_list.save(update_fields=["state", "closed_at", "version"])
    return purchase_list


def _line(bought: PurchaseList, buy: Buy, offer: Offer | None) -> PurchaseLine:
    return PurchaseLine(
        purchase_list=bought,
        family=buy.family,
        thickness_nm=buy.thickness_nm,
        quantity=buy.quantity,
        price=offer.price if offer else None,
        currency=offer.currency if offer else "",
    )


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


def _refuse_other_family(
    came: Mapping[uuid.UUID, int],
    lines: Mapping[uuid.UUID, PurchaseLine],
    bins: Mapping[uuid.UUID, Place],
    confirm: bool,
) -> None:
    named = [pk for pk in came if pk in bins]
    refuse_other_family(
        [
            Shims(
                family=lines[pk].family,
                thickness_nm=lines[pk].thickness_nm,
                condition=Condition.NEW,
                quantity=came[pk],
                place=bins[pk],
            )
            for pk in named
        ],
        confirm=confirm,
        pointers=[f"/bins/{pk}" for pk in named],
    )


def _needs_met(came: Mapping[uuid.UUID, int]) -> list[Need]:
    """The needs that these lines were bought for, locked, the most urgent of each line first."""
    needs = (
        Need.objects.select_for_update()
        .filter(line__in=list(came), state=Need.State.BOUGHT)
        .order_by(*_MOST_URGENT_FIRST)
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
        found[need.job_id].append(need)
    return found


def _wanted(need: Need, place: Place) -> Wanted:
    return Wanted(
        place=place,
        family_id=need.family_id,
        thickness_nm=need.thickness_nm,
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


def _refuse_closed(purchase_list: PurchaseList) -> None:
    if purchase_list.state != PurchaseList.State.BOUGHT:
        raise WrongState(
            f"{purchase_list} is {purchase_list.get_state_display().lower()} already; nothing was changed.",
            extra={"state": purchase_list.state},
        )


def _refuse_homeless(
    needs: Sequence[Need], lines: Mapping[uuid.UUID, PurchaseLine], targets: Mapping[uuid.UUID, Place]
) -> None:
    """What jobs wait for must go to a bin: what lies in receiving cannot be held, and they would wait on."""
    homeless = {need.line_id: need for need in needs if need.line_id not in targets}
    errors = [
        FieldError(
            f"/bins/{pk}",
            f"name a bin for the {show(lines[pk].thickness_nm)} mm, for which {need.job_label} waits",
        )
        for pk, need in homeless.items()
    ]
    if errors:
        raise Invalid(in_words("Nothing was booked", errors), errors=errors)


def _refuse_bad_buys(buys: Sequence[Buy]) -> None:
    most = MOST_LINES // 2  # so that all of it can be received in one movement
    errors = []
    for index, buy in enumerate(buys):
        if not 1 <= buy.quantity <= MOST_QUANTITY:
            errors.append(FieldError(f"/lines/{index}/quantity", f"must be 1 to {MOST_QUANTITY}"))
        if buy.thickness_nm not in buy.family.sizes_nm():
            errors.append(
                FieldError(
                    f"/lines/{index}/thickness",
                    f"{show(buy.thickness_nm)} mm is no size that {buy.family.name} is made in",
                )
            )
    if len({(buy.family.id, buy.thickness_nm) for buy in buys}) < len(buys):
        errors.append(FieldError("/lines", "name each size once"))
    if not 1 <= len(buys) <= most:
        errors.append(FieldError("/lines", f"name 1 to {most} sizes; these are {len(buys)}"))
    if errors:
        raise Invalid(in_words("Nothing was marked as bought", errors), errors=errors)


def _refuse_bad_receipt(received: Mapping[uuid.UUID, int], lines: Mapping[uuid.UUID, PurchaseLine]) -> None:
    if unknown := sorted(map(str, set(received) - set(lines))):
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
    if not any(received.values()):
        errors.append(FieldError("/received", "say how many came"))
    if errors:
        raise Invalid(in_words("Nothing was booked", errors), errors=errors)
