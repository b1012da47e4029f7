"""The write use cases around transfers, counts, bins, inspection and take-overs, each once: see acts.py."""

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from typing import Any

from inventory.compute.lengths import from_nm, parse
from inventory.models import BinCount, HoldTakeOver, Movement, Place, Transfer
from inventory.services import (
    bin_content,
    bins,
    catalogue,
    count_posting,
    counting,
    inspecting,
    regrading,
    supplier_returns,
    take_over,
    transfers,
    worth,
)
from inventory.services.sites import open_site
from shop.actor import actor_for_user
from shop.models import Membership, Role, Site, User
from tests.faults.acts import AT, SIZES, Act, Shop, make_hold, make_recovered, note_needs

MODULES = (
    bin_content,
    bins,
    count_posting,
    counting,
    inspecting,
    regrading,
    supplier_returns,
    take_over,
    transfers,
    worth,
)
PEOPLE = ("ines", "tobi")


def make_people(shop: Shop) -> None:
    """Two managers: a count is a person's, and the second another's."""
    for name in PEOPLE:
        person = User.objects.create(username=name, display_name=name.title())
        Membership.objects.create(user=person, site=shop.site, role=Role.MANAGER)


def by(name: str) -> dict[str, Any]:
    return {"actor": actor_for_user(User.objects.get(username=name)), "at": AT}


def the_count() -> BinCount:
    return BinCount.objects.get(number=1)


def open_count(shop: Shop) -> None:
    counting.open_counts(**shop.here, places=shop.bins[:2], why="asked")


def make_count(shop: Shop) -> None:
    make_people(shop)
    open_count(shop)


def key(shop: Shop, name: str, quantity: int) -> None:
    found = counting.Found(
        family=shop.family, thickness=from_nm(SIZES[0]), condition="new", quantity=quantity
    )
    extra = replace(found, thickness=from_nm(2_630_000), condition="used", quantity=1)
    counting.key_count(count=the_count(), **by(name), found=[found, extra])


def make_first_tally(shop: Shop) -> None:
    make_count(shop)
    key(shop, "ines", 4)


def make_small_difference(shop: Shop) -> None:
    make_first_tally(shop)
    key(shop, "tobi", 4)


def make_large_difference(shop: Shop) -> None:
    """Where nobody sells the family, its own value counts, and that is high."""
    shop.family.offers.all().delete()
    worth.value_family(family=shop.family, **shop.by, unit_value=Decimal(90))
    make_small_difference(shop)


def make_other_site(shop: Shop) -> None:
    other = open_site(code="harbour", name="Harbour Street")
    catalogue.add_bin(site=other, actor=shop.by["actor"], at=AT, code="H1", cabinet="H", row=1, column=1)


def send(shop: Shop) -> None:
    lots = [shop.shims(0, 3), shop.shims(1, 2)]
    transfers.send_shims(
        **shop.here, target=Site.objects.get(code="harbour"), shims=lots, note="they are out"
    )


def make_sent(shop: Shop) -> None:
    make_other_site(shop)
    send(shop)


def the_transfer() -> Transfer:
    return Transfer.objects.select_related("source", "target").get(number=1)


def arrive(shop: Shop) -> None:
    place = Place.objects.get(code="H1")
    transfers.arrive_shims(transfer=the_transfer(), **shop.by, arrived={0: 3, 1: 1}, places={0: place})


def make_arrived(shop: Shop) -> None:
    make_sent(shop)
    arrive(shop)


def take_back(shop: Shop) -> None:
    transfers.take_back_arrival(
        transfer=the_transfer(),
        movement=Movement.objects.get(reason="arrive"),
        **shop.by,
        note="another parcel",
    )


def make_spare_bin(shop: Shop) -> None:
    """A bin for anything, and a hold on what is to be moved into it."""
    Place.objects.filter(pk=shop.bins[2].pk).update(family=None, size_nm=None)
    make_hold(shop)


def split(shop: Shop) -> None:
    bin_content.split_bin(
        source=shop.bins[0],
        **shop.by,
        code="A9",
        cabinet="A",
        row=2,
        column=1,
        family=shop.family,
        size_nm=SIZES[0],
    )


def make_empty_bin(shop: Shop) -> None:
    catalogue.add_bin(site=shop.site, actor=shop.by["actor"], at=AT, code="A4", cabinet="A", row=1, column=4)


def the_empty_bin() -> Place:
    return Place.objects.select_related("site").get(code="A4")


def make_retired_bin(shop: Shop) -> None:
    make_empty_bin(shop)
    bins.retire_bin(place=the_empty_bin(), **shop.by)


def make_wanted(shop: Shop) -> None:
    """A hold for another order, of which this job was to buy a shim."""
    make_hold(shop, job_id=None, reference="Order 9")
    note_needs(shop)


def take(shop: Shop) -> HoldTakeOver:
    return take_over.take_over_hold(
        hold=shop.site.holds.get(reference="Order 9"),
        **shop.by,
        reference="Job 4",
        reason="leaves today",
        job_id="01980000-0000-7000-8000-000000000004",
        positions=[0],
        expires_in=timedelta(hours=4),
    )


def measure(shop: Shop) -> None:
    found_shim = replace(shop.shims(), thickness_nm=2_600_000, condition="unmeasured")
    inspecting.measure_shim(
        **shop.here, found=found_shim, measured=parse("2.594", "mm"), face="good", marking_legible=True
    )


def inspect(shop: Shop) -> None:
    found = replace(shop.shims(), thickness_nm=2_600_000, condition="unmeasured")
    inspecting.inspect_shim(
        **shop.here,
        found=found,
        readings=[parse("2.594", "mm"), parse("2.596", "mm")],
        face="marked",
        marking_legible=False,
    )


def regrade(shop: Shop) -> None:
    regrading.regrade_shims(
        **shop.here,
        found=shop.shims(0, 2),
        measured=parse("2.651", "mm"),
        target=shop.bins[1],
        note="put back worn",
    )


def give_back(shop: Shop) -> None:
    supplier_returns.return_to_supplier(
        **shop.here, supplier=shop.supplier, shims=[shop.shims(0, 2)], reason="ordered twice"
    )


FLOOR_ACTS: dict[str, Act] = {
    act.service: act
    for act in (
        Act(service="send_shims", run=send, before=make_other_site),
        Act(service="arrive_shims", run=arrive, before=make_sent),
        Act(
            service="recall_transfer",
            run=lambda s: transfers.recall_transfer(transfer=the_transfer(), **s.by),
            before=make_arrived,
        ),
        Act(
            service="write_off_transfer",
            run=lambda s: transfers.write_off_transfer(transfer=the_transfer(), **s.by, note="lost"),
            before=make_arrived,
        ),
        Act(service="take_back_arrival", run=take_back, before=make_arrived),
        Act(service="regrade_shims", run=regrade),
        Act(service="return_to_supplier", run=give_back),
        Act(service="inspect_shim", run=inspect, before=make_recovered),
        Act(service="measure_shim", run=measure, before=make_recovered),
        Act(
            service="edit_bin",
            run=lambda s: bins.edit_bin(place=s.bins[0], **s.by, family=s.family, size_nm=None, capacity=20),
        ),
        Act(
            service="relocate_bin",
            run=lambda s: bins.relocate_bin(place=s.bins[0], **s.by, cabinet="A", row=1, column=3),
        ),
        Act(
            service="retire_bin",
            run=lambda s: bins.retire_bin(place=the_empty_bin(), **s.by, note="broken"),
            before=make_empty_bin,
        ),
        Act(
            service="restore_bin",
            run=lambda s: bins.restore_bin(place=the_empty_bin(), **s.by),
            before=make_retired_bin,
        ),
        Act(
            service="merge_bins",
            run=lambda s: bin_content.merge_bins(source=s.bins[0], target=s.bins[2], **s.by),
            before=make_spare_bin,
        ),
        Act(service="split_bin", run=split, before=make_hold),
        Act(service="open_counts", run=open_count),
        Act(
            service="open_due_counts",
            run=lambda s: counting.open_due_counts(**{**s.here, "at": AT + timedelta(days=400)}),
        ),
        Act(
            service="begin_count",
            run=lambda s: counting.begin_count(count=the_count(), **by("ines")),
            before=make_count,
        ),
        Act(service="key_count", run=lambda s: key(s, "tobi", 4), before=make_first_tally),
        Act(
            service="approve_count",
            run=lambda s: count_posting.approve_count(count=the_count(), **by("tobi"), note="seen"),
            before=make_large_difference,
        ),
        Act(
            service="post_count",
            run=lambda s: count_posting.post_count(count=the_count(), **by("tobi")),
            before=make_small_difference,
        ),
        Act(
            service="reject_count",
            run=lambda s: count_posting.reject_count(count=the_count(), **by("tobi"), note="wrong drawer"),
            before=make_small_difference,
        ),
        Act(
            service="cancel_count",
            run=lambda s: count_posting.cancel_count(count=the_count(), **by("tobi")),
            before=make_first_tally,
        ),
        Act(service="take_over_hold", run=take, before=make_wanted),
        Act(
            service="value_family",
            run=lambda s: worth.value_family(family=s.family, **s.by, unit_value=Decimal("3.5")),
        ),
    )
}
