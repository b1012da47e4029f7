"""What jobs lack: noted as needs, gathered into a list per supplier, bought, received, and held for the jobs."""

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Max

from inventory.compute.lengths import show
from inventory.models import (
    Condition,
    Need,
    Offer,
    Place,
    PurchaseLine,
    PurchaseList,
    ShimFamily,
    Supplier,
)
from inventory.selectors.places import bin_for
from inventory.services.floor import Shims, receive_shims
from inventory.services.holds import Wanted, hold_shims
from shop.actor import Actor
from shop.background.queue import queue_task
from shop.db import write_transaction
from shop.errors import FieldError, Invalid, NotFound, WrongState
from shop.models import Site
from shop.roles import Action

STOCK_ARRIVED = "stock_arrived"


@dataclass(frozen=True, slots=True, kw_only=True)
class Lack:
    """One shim that a job's plan wants bought."""

    thickness_nm: int
    valve_label: str


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
    """One list to one supplier. Open needs of these sizes are covered by it, the most urgent first."""
    actor.must(Action.PURCHASE, site)
    _refuse_bad_buys(buys)
    Site.objects.select_for_update().get(pk=site.pk)  # two lists at once would take the same number
    number = (PurchaseList.objects.filter(site=site).aggregate(last=Max("number"))["last"] or 0) + 1
    bought = PurchaseList.objects.create(
        site=site, number=number, supplier=supplier, created_at=at, created_by=actor.label
    )
    offers = {offer.family_id: offer for offer in Offer.objects.filter(supplier=supplier)}
    for buy in buys:
        offer = offers.get(buy.family.id)
        line = PurchaseLine.objects.create(
            purchase_list=bought,
            family=buy.family,
            thickness_nm=buy.thickness_nm,
            quantity=buy.quantity,
            price=offer.price if offer else None,
            currency=offer.currency if offer else "",
        )
        waiting = (
            Need.objects.filter(
                site=site, family=buy.family, thickness_nm=buy.thickness_nm, state=Need.State.OPEN
            )
            .order_by("needed_by", "created_at", "id")
            .values_list("pk", flat=True)[: buy.quantity]
        )
        Need.objects.filter(pk__in=list(waiting)).update(state=Need.State.BOUGHT, line=line)
    return bought


@write_transaction
def receive_purchase(
    *,
    purchase_list: PurchaseList,
    actor: Actor,
    at: datetime,
    received: Mapping[uuid.UUID, int],
    bins: Mapping[uuid.UUID, Place] | None = None,
) -> PurchaseList:
    """Take in what came of a list: line id -> how many.

    The shims go to the bin named for the line, else to the bin where that size belongs, and are held at once
    for the jobs that wait for them, the most urgent first; the jobs are woken. Raises WrongState for a list
    that is closed (so a delivery keyed in twice is booked once) and Invalid for more than is outstanding.
    """
    actor.must(Action.RECEIVE, purchase_list.site)
    purchase_list = (
        PurchaseList.objects.select_for_update(of=("self",)).select_related("site").get(pk=purchase_list.pk)
    )
    if purchase_list.state != PurchaseList.State.BOUGHT:
        raise WrongState(
            f"{purchase_list} is {purchase_list.get_state_display().lower()} already; nothing was booked."
        )
    lines = {line.pk: line for line in purchase_list.lines.select_related("family")}
    _refuse_bad_receipt(received, lines)
    site = purchase_list.site
    targets: dict[uuid.UUID, Place] = {}
    for pk in received:
        place = (bins or {}).get(pk) or bin_for(site, lines[pk].family, lines[pk].thickness_nm)
        if place is not None:
            targets[pk] = place
    receive_shims(
        site=site,
        actor=actor,
        at=at,
        shims=[
            Shims(
                family=lines[pk].family,
                thickness_nm=lines[pk].thickness_nm,
                condition=Condition.NEW,
                quantity=quantity,
                place=targets.get(pk),
            )
            for pk, quantity in received.items()
            if quantity
        ],
        document=str(purchase_list),
    )
    for pk, quantity in received.items():
        lines[pk].received += quantity
    PurchaseLine.objects.bulk_update(lines.values(), ["received"])
    if all(line.received == line.quantity for line in lines.values()):
        purchase_list.state, purchase_list.closed_at = PurchaseList.State.RECEIVED, at
    purchase_list.version += 1
    purchase_list.save(update_fields=["state", "closed_at", "version"])
    _hold_for_jobs(site, actor, at, received, lines, targets)
    return purchase_list


@write_transaction
def cancel_purchase(*, purchase_list: PurchaseList, actor: Actor, at: datetime) -> PurchaseList:
    """The list will not come; its needs are to buy again."""
    actor.must(Action.PURCHASE, purchase_list.site)
    purchase_list = PurchaseList.objects.select_for_update(of=("self",)).get(pk=purchase_list.pk)
    if purchase_list.state != PurchaseList.State.BOUGHT:
        raise WrongState(f"{purchase_list} is {purchase_list.get_state_display().lower()} already.")
    Need.objects.filter(line__purchase_list=purchase_list, state=Need.State.BOUGHT).update(
        state=Need.State.OPEN, line=None
    )
    purchase_list.state, purchase_list.closed_at = PurchaseList.State.CANCELLED, at
    purchase_list.version += 1
    purchase_list.save(update_fields=["state", "closed_at", "version"])
    return purchase_list


def _hold_for_jobs(
    site: Site,
    actor: Actor,
    at: datetime,
    received: Mapping[uuid.UUID, int],
    lines: Mapping[uuid.UUID, PurchaseLine],
    targets: Mapping[uuid.UUID, Place],
) -> None:
    """Hold what came for the needs that it was bought for, and queue one waking per job."""
    met: dict[uuid.UUID, list[tuple[Need, Wanted]]] = defaultdict(list)
    for pk, quantity in received.items():
        if pk not in targets:
            continue  # in receiving: it has to be put away before it can be held
        line = lines[pk]
        needs = Need.objects.filter(line=line, state=Need.State.BOUGHT).order_by(
            "needed_by", "created_at", "id"
        )[:quantity]
        for need in needs:
            wanted = Wanted(
                place=targets[pk],
                family_id=line.family_id,
                thickness_nm=line.thickness_nm,
                condition=Condition.NEW,
                quantity=1,
                label=need.valve_label,
            )
            met[need.job_id].append((need, wanted))
    for job_id, pairs in met.items():
        hold_shims(
            site=site,
            actor=actor,
            at=at,
            lines=[wanted for _, wanted in pairs],
            reference=pairs[0][0].job_label,
            job_id=job_id,
        )
        Need.objects.filter(pk__in=[need.pk for need, _ in pairs]).update(state=Need.State.MET)
        queue_task(STOCK_ARRIVED, {"job": str(job_id)}, site=site, at=at)


def _refuse_bad_buys(buys: Sequence[Buy]) -> None:
    errors = []
    for index, buy in enumerate(buys):
        if buy.quantity < 1:
            errors.append(FieldError(f"/lines/{index}/quantity", "must be 1 or more"))
        if buy.thickness_nm not in buy.family.sizes_nm():
            errors.append(
                FieldError(
                    f"/lines/{index}/thickness",
                    f"{show(buy.thickness_nm)} mm is no size that {buy.family.name} is made in",
                )
            )
    if len({(buy.family.id, buy.thickness_nm) for buy in buys}) < len(buys):
        errors.append(FieldError("/lines", "name each size once"))
    if not buys:
        errors.append(FieldError("/lines", "name at least one size"))
    if errors:
        raise Invalid(
            "Nothing was marked as bought: " + "; ".join(e.detail for e in errors) + ".", errors=errors
        )


def _refuse_bad_receipt(received: Mapping[uuid.UUID, int], lines: Mapping[uuid.UUID, PurchaseLine]) -> None:
    if unknown := set(received) - set(lines):
        raise NotFound(f"The list has no line {min(map(str, unknown))}.")
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
        raise Invalid("Nothing was booked: " + "; ".join(e.detail for e in errors) + ".", errors=errors)
