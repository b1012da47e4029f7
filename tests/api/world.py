"""A small workshop behind the API: made by services, worked on by a program."""

import itertools
from dataclasses import dataclass, field
from decimal import Decimal

from django.utils import timezone

from inventory.models import Need, Place, PlaceKind, PurchaseLine, PurchaseList, Reason, Supplier
from inventory.selectors.places import place_of
from inventory.services.catalogue import add_bin, add_offer, add_supplier
from inventory.services.floor import Shims, receive_shims
from inventory.services.ledger import post_movement, transfer
from inventory.services.purchasing import Lack, note_needs
from inventory.services.sites import open_site
from inventory.services.transfers import send_shims
from jobs.models import HandOver, ShopPlan
from shop.actor import service_actor
from shop.background.work import work_once
from shop.db import atomic_write
from shop.models import Site
from tests.api.program import Program
from tests.jobs.shop import AT, NEW, USED, Workshop, make_workshop, mm


def length(figure, unit="mm"):
    return {"value": figure, "unit": unit}


def thou(figure):
    return length(figure, "thou")


@dataclass
class World:
    """One site: bins with stock, an engine with four valves (1-IN, 1-EX, 2-IN, 2-EX), bays, suppliers."""

    shop: Workshop
    program: Program
    numbers: itertools.count = field(default_factory=lambda: itertools.count(1))

    @property
    def site(self):
        return self.shop.site

    @property
    def family(self):
        return self.shop.family.code

    def bin(self, thickness):
        return self.shop.bin(thickness).code

    def another_drawer(self):
        """The thickness of a bin that nobody used yet, with twenty new shims of it in it."""
        thickness = f"2.{25 * next(self.numbers):03d}"
        self.shop.stock((thickness, NEW, 20))
        return thickness

    def line(self, thickness="2.575", condition=NEW, quantity=1):
        """A stock line as a hold or an act of the floor takes it."""
        return {
            "family": self.family,
            "thickness": length(thickness),
            "condition": condition,
            "quantity": quantity,
            "bin": self.bin(thickness),
        }

    def hold(self, **more):
        body = {"reference": f"calculator {next(self.numbers)}", "lines": [self.line()]} | more
        return self.program.done("/holds", body)

    def vehicle(self):
        body = {
            "registration": f"K {next(self.numbers)}",
            "description": "blue tourer",
            "engine_type": self.shop.engine.code,
        }
        return self.program.done("/vehicles", body)

    def job_body(self):
        return {"vehicle": self.vehicle()["id"], "bay": self.shop.bay().number}

    def job(self):
        """An open job."""
        return f"/jobs/{self.program.done('/jobs', self.job_body())['id']}"

    readings = {
        "readings": {
            "1-IN": {"passes": thou("5"), "stops": thou("6")},
            "1-EX": {"passes": thou("12")},
            "2-IN": {"passes": thou("8")},
            "2-EX": {"passes": thou("12")},
        }
    }
    shims = {"shims": {"1-IN": {"thickness": length("2.650"), "known_by": "measured"}}}
    after = {"readings": {"1-IN": {"passes": thou("8")}}}

    def read(self):
        job = self.job()
        self.program.done(f"{job}/readings", self.readings)
        self.program.done(f"{job}/shims", self.shims)
        return job

    def planned(self):
        job = self.read()
        self.program.done(f"{job}/plan")
        return job

    def held(self):
        job = self.planned()
        self.program.done(f"{job}/hold")
        return job

    def fitted(self):
        job = self.held()
        self.program.done(f"{job}/fit")
        return job

    def measured_again(self):
        job = self.fitted()
        self.program.done(f"{job}/readings", self.after)
        return job

    def loose(self):
        """A job whose 1-IN wants a shim near 2.650 mm, as others pull them out."""
        job = self.job()
        readings = self.readings["readings"] | {"1-IN": {"passes": thou("11")}}
        self.program.done(f"{job}/readings", {"readings": readings})
        shims = {"1-IN": {"thickness": length("2.575"), "known_by": "measured"}}
        self.program.done(f"{job}/shims", {"shims": shims})
        return job

    def shop_plan_under_way(self):
        """A plan for the whole shop that is being made."""
        work_once()
        self.read()
        self.program.done("/shop-plans", {})
        return f"/shop-plans/{ShopPlan.objects.filter(site=self.site).latest('number').pk}"

    def shop_plan(self):
        """One that is proposed."""
        plan = self.shop_plan_under_way()
        work_once()
        return plan

    def promised(self):
        """A shim that an accepted plan sends from one job to another."""
        self.loose()
        self.program.done(f"{self.shop_plan()}/accept")
        return HandOver.objects.filter(state=HandOver.State.PROMISED, to_job__site=self.site).latest("pk")

    def need(self):
        """A job lacks one 2.700 mm shim."""
        note_needs(
            site=self.site,
            at=timezone.now(),
            family=self.shop.family,
            job_id=self.job().rpartition("/")[2],
            job_label="Job 1",
            needed_by=None,
            lacks=[Lack(thickness_nm=2_700_000, valve_label="1-IN")],
        )
        return Need.objects.latest("created_at")

    def bought(self):
        body = {"supplier": "norrbeck", "lines": [self.size(quantity=2)]}
        return self.program.done("/purchase-lists", body)

    def draft(self):
        """A draft of one line at a supplier with an e-mail address, as the choice writes it."""
        now, number = timezone.now(), next(self.numbers)
        supplier = add_supplier(actor=service_actor(), code=f"s{number}", name="Sund", lead_days=1)
        Supplier.objects.filter(pk=supplier.pk).update(email="orders@sund.example")
        found = PurchaseList.objects.create(
            site=self.site,
            number=900 + number,
            supplier=supplier,
            state=PurchaseList.State.DRAFT,
            created_at=now,
            created_by="somebody",
            currency="EUR",
        )
        PurchaseLine.objects.create(
            purchase_list=found,
            family=self.shop.family,
            thickness_nm=2_700_000,
            quantity=2,
            price=Decimal("3.40"),
            amount=Decimal("6.80"),
            currency="EUR",
        )
        return f"/purchase-lists/{found.pk}"

    def approved(self):
        draft = self.draft()
        self.program.done(f"{draft}/approve")
        return draft

    def sent(self):
        approved = self.approved()
        self.program.done(f"{approved}/send")
        return approved

    def size(self, quantity=1):
        return {"family": self.family, "thickness": length("2.700"), "quantity": quantity}

    def island(self):
        """A third site, of which nobody here is a member."""
        found = Site.objects.filter(code="island").first()
        return found or open_site(code="island", name="Island Shed")

    def coming(self, quantity=2):
        """A parcel from the island that is on its way to this site."""
        island = self.island()
        source = Place.objects.filter(site=island, kind=PlaceKind.BIN).first() or add_bin(
            site=island, actor=service_actor(), at=AT, code="I1", cabinet="I", row=1, column=1
        )
        shims = Shims(
            family=self.shop.family,
            thickness_nm=mm("2.700").nm,
            condition=NEW,
            quantity=quantity,
            place=source,
        )
        by = {"site": island, "actor": service_actor(), "at": timezone.now(), "shims": [shims]}
        receive_shims(**by)
        return send_shims(**by, target=self.site)

    def in_receiving(self, thickness="2.575", quantity=2):
        receive_shims(
            site=self.site,
            actor=service_actor(),
            at=timezone.now(),
            shims=[
                Shims(
                    family=self.shop.family,
                    thickness_nm=mm(thickness).nm,
                    condition=NEW,
                    quantity=quantity,
                )
            ],
        )

    def at_inspection(self, thickness="2.600", condition=USED):
        """One shim out of an engine, at the inspection place."""
        with atomic_write():
            post_movement(
                site=self.site,
                reason=Reason.RECOVER,
                actor=service_actor(),
                at=timezone.now(),
                lines=transfer(
                    source=place_of(self.site, PlaceKind.ENGINE),
                    target=place_of(self.site, PlaceKind.INSPECTION),
                    family_id=self.shop.family.pk,
                    thickness_nm=mm(thickness).nm,
                    condition=condition,
                    quantity=1,
                ),
            )


def make_world(site, calculator) -> World:
    """A drawer of new and used shims, two suppliers of whom one sells the family."""
    shop = make_workshop(site, service_actor())
    shop.stock(("2.575", NEW, 20), ("2.600", USED, 6), ("2.625", NEW, 4))
    shop.bin("2.700")
    supplier = add_supplier(actor=service_actor(), code="norrbeck", name="Norrbeck & Daughter", lead_days=2)
    add_offer(
        actor=service_actor(), supplier=supplier, family=shop.family, price=Decimal("3.40"), currency="EUR"
    )
    return World(shop=shop, program=calculator)
