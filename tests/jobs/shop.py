"""A small workshop for the tests of jobs: a family, a cabinet, engines, vehicles, and people to act."""

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from decimal import Decimal

from inventory.compute.lengths import Length, parse_text
from inventory.models import Condition, Place, ShimFamily
from inventory.services.catalogue import add_bin, add_family, add_tray
from inventory.services.floor import Shims, count_in
from jobs.compute.layout import EngineLayout
from jobs.models import EngineType, Job, Plan, Vehicle
from jobs.services.engines import Item, SideSpec, add_engine_type
from jobs.services.opening import open_job
from jobs.services.planning import accept_plan, plan_job
from jobs.services.readings import FeelerInput, ShimInput, key_clearances, key_shims
from jobs.services.vehicles import enter_vehicle
from shop.actor import Actor, service_actor
from shop.models import Bay, Site

AT = datetime(2026, 3, 2, 8, 30, tzinfo=UTC)
HOUR = timedelta(hours=1)


def mm(text: str) -> Length:
    return parse_text(text, "mm")


def feel(passes: str, stops: str | None = None) -> FeelerInput:
    """A feeler reading from texts such as "7 thou" or "0.20 mm"."""
    return FeelerInput(passes=parse_text(passes), stops=parse_text(stops) if stops else None)


def shim(thickness: str, known_by: str = "measured") -> ShimInput:
    return ShimInput(thickness=parse_text(thickness), known_by=known_by)


@dataclass
class Workshop:
    """One site with what a job needs; what it offers is done through the services."""

    site: Site
    tech: Actor
    family: ShimFamily
    engine: EngineType
    bins: dict[str, Place] = field(default_factory=dict)
    bays: list[Bay] = field(default_factory=list)

    def stock(self, *shims: tuple[str, str, int]) -> None:
        """Count shims into bins, each thickness in one of its own: (thickness, condition, how many)."""
        count_in(
            site=self.site,
            actor=service_actor(),
            at=AT,
            shims=[
                Shims(
                    family=self.family,
                    thickness_nm=mm(thickness).nm,
                    condition=condition,
                    quantity=quantity,
                    place=self.bin(thickness),
                )
                for thickness, condition, quantity in shims
            ],
            note="opening count",
        )

    def bin(self, thickness: str) -> Place:
        if thickness not in self.bins:
            number = len(self.bins) + 1
            self.bins[thickness] = add_bin(
                site=self.site,
                actor=service_actor(),
                at=AT,
                code=f"B{number:02d}",
                cabinet="A",
                row=1,
                column=number,
                family=self.family,
            )
        return self.bins[thickness]

    def empty_bin(self, size_nm: int | None = None) -> Place:
        """N1, for shims that are still to come: of this size, or of all."""
        return add_bin(
            site=self.site,
            actor=service_actor(),
            at=AT,
            code="N1",
            cabinet="A",
            row=2,
            column=1,
            family=self.family,
            size_nm=size_nm,
        )

    def bay(self) -> Bay:
        bay = Bay.objects.create(site=self.site, number=len(self.bays) + 1)
        self.bays.append(bay)
        add_tray(site=self.site, actor=service_actor(), code=f"T{bay.number:02d}")
        return bay

    def vehicle(self, registration: str = "N 100", engine: EngineType | None = None) -> Vehicle:
        return enter_vehicle(
            site=self.site,
            actor=self.tech,
            at=AT,
            registration=registration,
            description="touring machine",
            engine_type=engine or self.engine,
        )

    def job(self, vehicle: Vehicle | None = None, **more) -> Job:
        return open_job(
            site=self.site,
            actor=self.tech,
            at=AT,
            vehicle=vehicle or self.vehicle(f"N {100 + len(self.bays)}"),
            bay=self.bay(),
            **more,
        )

    def read(self, job: Job, clearances: dict[str, str], shims: dict[str, str] | None = None) -> Job:
        """Key in "passes" by label and measured shims by label."""
        job = key_clearances(
            job=job,
            actor=self.tech,
            at=AT,
            readings={label: feel(passes) for label, passes in clearances.items()},
        )
        if shims:
            job = key_shims(
                job=job,
                actor=self.tech,
                at=AT,
                shims={label: shim(thickness) for label, thickness in shims.items()},
            )
        return job

    def planned(self, job: Job) -> Plan:
        return plan_job(job=job, actor=self.tech, at=AT)

    def held(self, job: Job) -> Job:
        """Plan and accept."""
        plan = accept_plan(plan=self.planned(job), actor=self.tech, at=AT)
        job = plan.job
        job.refresh_from_db()
        return job


def make_family(code: str = "disc29") -> ShimFamily:
    return add_family(
        actor=service_actor(),
        code=code,
        name="29 mm disc",
        form="disc_over",
        marking="thousandths",
        diameter=mm("29.0"),
        thinnest=mm("2.000"),
        thickest=mm("3.200"),
        step=mm("0.025"),
    )


def make_engine(
    family: ShimFamily,
    code: str = "twin-4",
    *,
    cylinders: int = 2,
    banks: int = 1,
    intake: int = 1,
    exhaust: int = 1,
    lash_ratio: str = "1",
) -> EngineType:
    """By default two cylinders with one valve a side; intake 6 to 10 thou, exhaust 10 to 14 thou."""
    return add_engine_type(
        actor=service_actor(),
        code=code,
        name=f"Invented {code}",
        layout=EngineLayout(
            cylinders=cylinders, banks=banks, intake_per_cylinder=intake, exhaust_per_cylinder=exhaust
        ),
        family=family,
        intake=SideSpec(min=parse_text("0.006 in"), max=parse_text("0.010 in")),
        exhaust=SideSpec(min=parse_text("0.010 in"), max=parse_text("0.014 in")),
        spec_source="workshop sheet 12, invented",
        lash_ratio=Decimal(lash_ratio),
        items=[
            Item(name="cover gasket", quantity="1"),
            Item(name="half-moon seal", quantity="2", note="a thin bead of sealant"),
        ],
    )


def make_workshop(site: Site, tech: Actor, **engine) -> Workshop:
    family = make_family()
    return Workshop(site=site, tech=tech, family=family, engine=make_engine(family, **engine))


NEW, USED = str(Condition.NEW), str(Condition.USED)
