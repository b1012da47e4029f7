"""A workshop in the middle of a day: something on every page, a job in every state."""

from dataclasses import dataclass, field, replace
from decimal import Decimal
from io import BytesIO

import time_machine

from inventory.imports.runs import stage_import
from inventory.models import Condition, PlaceKind, PurchaseList
from inventory.selectors.places import place_of
from inventory.selectors.purchases import to_buy
from inventory.services.bins import retire_bin
from inventory.services.catalogue import add_bin, add_offer, add_supplier
from inventory.services.counting import begin_count, key_count, open_counts
from inventory.services.floor import Shims, receive_shims
from inventory.services.inspecting import inspect_shim
from inventory.services.ledger import post_movement, transfer
from inventory.services.purchasing import Buy, mark_bought
from inventory.services.receipts import Found
from inventory.services.receiving import receive_purchase
from inventory.services.sites import open_site
from inventory.services.transfers import arrive_shims, send_shims
from jobs.models import Job
from jobs.services.fitting import fit_job
from jobs.services.handing_out import hand_out_job
from jobs.services.shop_planning import plan_shop
from jobs.services.sign_off import sign_off_job
from jobs.services.stopping import stop_job
from shop.actor import Actor, service_actor
from shop.background.work import run_task
from shop.db import atomic_write
from tests.counting import in_it
from tests.jobs.shop import AT, NEW, USED, Workshop, mm

READ = {"1-IN": "5 thou", "1-EX": "11 thou", "2-IN": "8 thou", "2-EX": "12 thou"}
TIGHT = {"1-IN": "2.650 mm"}


@dataclass
class Furnished:
    """jobs: one in every state, by state. bought: a purchase list that is on its way. loose: an engine
    that wants a shim of another."""

    workshop: Workshop
    clerk: Actor
    jobs: dict[str, Job] = field(default_factory=dict)
    bought: PurchaseList | None = None
    loose: Job | None = None

    @property
    def site(self):
        return self.workshop.site


def furnish(workshop: Workshop, clerk: Actor) -> Furnished:
    shop = Furnished(workshop=workshop, clerk=clerk)
    _stock(shop)
    _out_of_use(shop)
    _jobs(shop)
    _purchases(shop)
    _counter(shop)
    _parcels(shop)
    _table(shop)
    _counts(shop)
    _shop_plan(shop)
    return shop


def _counts(shop: Furnished) -> None:
    """A bin that somebody is counting, one that agreed, one in which two found two shims
    too many. None of them has changed what is in a bin."""
    site, tech = shop.site, shop.workshop.tech
    places = [shop.workshop.bin(thickness) for thickness in ("2.500", "2.575", "2.550")]
    counting, agreeing, differing = open_counts(site=site, actor=shop.clerk, at=AT, places=places)
    begin_count(count=counting, actor=tech, at=AT)
    key_count(count=agreeing, actor=tech, at=AT, found=in_it(agreeing.place))
    for person in (tech, shop.clerk):
        key_count(count=differing, actor=person, at=AT, found=in_it(differing.place, 2))


def _shop_plan(shop: Furnished) -> None:
    """A plan for the whole shop that is proposed, with a shim that would go from bay to bay."""
    workshop = shop.workshop
    loose = workshop.read(workshop.job(), {**READ, "1-IN": "11 thou"}, {"1-IN": "2.575 mm"})
    shop.loose = loose
    plan = plan_shop(site=shop.site, actor=workshop.tech, at=AT)
    # Only this task: the table that was brought in waits on.
    with time_machine.travel(AT):
        run_task(plan.task_id)


def _table(shop: Furnished) -> None:
    """A table that was brought in and is not read yet."""
    heading = b"bin,family,thickness [mm],condition,quantity"
    stage_import(
        site=shop.site, actor=service_actor(), at=AT, kind="stock", file=BytesIO(heading), name="drawer.csv"
    )


def _stock(shop: Furnished) -> None:
    shop.workshop.stock(
        ("2.500", NEW, 4), ("2.550", NEW, 6), ("2.575", USED, 1), ("2.574", USED, 2), ("2.600", NEW, 1)
    )


def _out_of_use(shop: Furnished) -> None:
    """A drawer that broke."""
    by = {"actor": service_actor(), "at": AT}
    broken = add_bin(site=shop.site, code="OLD1", cabinet="OLD", row=1, column=1, **by)
    retire_bin(place=broken, note="broken", **by)


def _jobs(shop: Furnished) -> None:
    workshop, tech = shop.workshop, shop.workshop.tech

    def read() -> Job:
        return workshop.read(workshop.job(), READ, TIGHT)

    def held() -> Job:
        return workshop.held(read())

    jobs = shop.jobs
    jobs["open"] = workshop.job(unit="mm", note="knocks when cold")
    planned = read()
    workshop.planned(planned)
    jobs["planned"] = planned
    jobs["held"] = held()
    jobs["handed_out"] = hand_out_job(job=held(), actor=tech, at=AT)
    jobs["fitted"] = fit_job(job=held(), actor=tech, at=AT)
    signed = workshop.read(fit_job(job=held(), actor=tech, at=AT), {"1-IN": "8 thou"})
    jobs["signed_off"] = sign_off_job(job=signed, actor=tech, at=AT)
    jobs["stopped"] = stop_job(job=workshop.job(), actor=tech, at=AT, note="the customer came back")
    # No shim in the building is near what this one needs: it has to be bought.
    waiting = workshop.read(
        workshop.job(), {**READ, "1-IN": "8 thou", "2-EX": "2 thou"}, {"2-EX": "2.900 mm"}
    )
    jobs["waiting"] = workshop.held(waiting)
    for job in jobs.values():
        job.refresh_from_db()


def _parcels(shop: Furnished) -> None:
    """One shim came from another site and was sent on: it is in transit, and the bins are as before.

    And an inspection that left the books as they were.
    """
    island = open_site(code="island", name="Island Shed")
    place = add_bin(site=island, actor=service_actor(), at=AT, code="I1", cabinet="I", row=1, column=1)
    family, by = shop.workshop.family, {"actor": service_actor(), "at": AT}
    one = Shims(family=family, thickness_nm=mm("2.500").nm, condition=NEW, quantity=1)
    there = [replace(one, place=place)]
    receive_shims(site=island, shims=there, **by)
    arrive_shims(transfer=send_shims(site=island, target=shop.site, shims=there, **by), **by)
    here = [replace(one, place=place_of(shop.site, PlaceKind.RECEIVING))]
    send_shims(site=shop.site, target=island, shims=here, **by)
    found = Shims(family=family, thickness_nm=mm("2.700").nm, condition=Condition.UNMEASURED, quantity=1)
    inspect_shim(site=shop.site, found=found, readings=[], face="pitted", marking_legible=True, **by)


def _purchases(shop: Furnished) -> None:
    near = add_supplier(actor=service_actor(), code="near", name="Nearby Shims", lead_days=1)
    far = add_supplier(actor=service_actor(), code="far", name="Far Away Parts", lead_days=4)
    family = shop.workshop.family
    add_offer(actor=service_actor(), supplier=near, family=family, price=Decimal("8.40"), currency="EUR")
    add_offer(actor=service_actor(), supplier=far, family=family, price=Decimal("6.90"), currency="EUR")
    assert to_buy(shop.site)
    shop.bought = mark_bought(
        site=shop.site,
        actor=shop.clerk,
        at=AT,
        supplier=near,
        buys=[Buy(family=family, thickness_nm=mm("2.450").nm, quantity=3)],
    )
    # The delivery note came, and nothing that it names was in the parcel.
    short = {shop.bought.lines.get().pk: Found(short=1, price=Decimal("8.20"))}
    shop.bought = receive_purchase(
        purchase_list=shop.bought, actor=shop.clerk, at=AT, received={}, found=short, document="note 6"
    )


def _counter(shop: Furnished) -> None:
    """Two shims in receiving, and one at inspection that nobody has measured."""
    family = shop.workshop.family
    receive_shims(
        site=shop.site,
        actor=shop.clerk,
        at=AT,
        shims=[Shims(family=family, thickness_nm=mm("2.600").nm, condition=NEW, quantity=2)],
        document="note 7",
    )
    with atomic_write():
        post_movement(
            site=shop.site,
            reason="recover",
            actor=service_actor(),
            at=AT,
            lines=transfer(
                source=place_of(shop.site, PlaceKind.ENGINE),
                target=place_of(shop.site, PlaceKind.INSPECTION),
                family_id=family.pk,
                thickness_nm=mm("2.700").nm,
                condition=Condition.UNMEASURED,
                quantity=1,
            ),
        )
