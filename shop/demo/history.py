"""The past: about two years of jobs, each from the cold readings to the sign-off, in the order of time."""

from collections.abc import Generator, Iterator
from datetime import datetime, timedelta
from fractions import Fraction
from random import Random

from jobs.models import EngineType, Job, Plan, Vehicle
from jobs.selectors.plans import CHANGES
from jobs.services.handing_out import hand_out_job
from jobs.services.opening import open_job
from jobs.services.sign_off import sign_off_job
from jobs.services.stopping import stop_job
from jobs.services.vehicles import enter_vehicle
from shop.actor import Actor
from shop.demo.clock import Story
from shop.demo.counter import buy_for_jobs, inspections, keeping, restocking, slips
from shop.demo.counting import counting
from shop.demo.fleet import VehicleFacts, Visit, visits
from shop.demo.jobwork import JobWork
from shop.demo.seats import Maker, TrueEngine
from shop.demo.world import Workshop, World
from shop.errors import Conflict
from shop.models import Bay

# Of all jobs so many are the first site's.
FIRST_SITES_SHARE = 0.65
BAY_FREE_AGAIN_DAYS = 9
MOST_ROUNDS = 3
STOPPED = 0.02
HANDED_OUT = 0.85
MOST_DAYS_WAITING = 12
# So that one delivery is still on its way today.
FIRST_RESTOCK_DAY = 29


def start_history(world: World, past_jobs: int) -> None:
    """Start the story of every past job and of the counter beside them; the clock plays them."""
    first, second = world.workshops.values()
    shares = {first.facts.code: round(past_jobs * FIRST_SITES_SHARE)}
    shares[second.facts.code] = past_jobs - shares[first.facts.code]
    for index, workshop in enumerate(world.workshops.values()):
        code = workshop.facts.code
        come = visits(world.rng(f"visits to {code}"), workshop.facts, shares[code], 1 + 400 * index)
        for number, (day, bay, visit) in enumerate(_in_bays(workshop.bays, come), start=1):
            world.clock.start(past_job(world, workshop, bay, visit, world.on(day, 7, 30), f"{code} {number}"))
        world.clock.start(inspections(world, workshop))
        world.clock.start(restocking(world, workshop, FIRST_RESTOCK_DAY + 11 * index))
        world.clock.start(keeping(world, workshop))
        world.clock.start(slips(world, workshop, 210 + 170 * index))
        world.clock.start(counting(world, workshop))


def _in_bays(bays: list[Bay], come: list[Visit]) -> Iterator[tuple[int, Bay, Visit]]:
    """Give each visit the bay that has been free for longest, a few days later where all are taken."""
    free_from = dict.fromkeys(range(len(bays)), 0)
    for visit in come:
        index = min(free_from, key=lambda bay: (free_from[bay], bay))
        day = max(visit.day, free_from[index])
        free_from[index] = day + BAY_FREE_AGAIN_DAYS
        yield day, bays[index], visit


def true_engine(world: World, engine_type: EngineType, what: str) -> TrueEngine:
    """An engine of this type as it comes to the shop for the first time."""
    sides = {
        "intake": Maker(min_nm=engine_type.intake_min_nm, max_nm=engine_type.intake_max_nm),
        "exhaust": Maker(min_nm=engine_type.exhaust_min_nm, max_nm=engine_type.exhaust_max_nm),
    }
    return TrueEngine(
        world.rng(f"engine of {what}"),
        makers={position.label: sides[position.side] for position in engine_type.positions.all()},
        family=engine_type.family.range,
        lash_ratio=Fraction(engine_type.lash_ratio),
    )


def known_vehicle(
    world: World, workshop: Workshop, actor: Actor, facts: VehicleFacts, at: datetime
) -> Vehicle:
    """The vehicle as the site knows it, entered at its first visit."""
    known = Vehicle.objects.filter(site=workshop.site, registration=facts.registration).first()
    return known or enter_vehicle(
        site=workshop.site,
        actor=actor,
        at=at,
        registration=facts.registration,
        description=facts.description,
        engine_type=world.engine_types[facts.engine],
        note=facts.note,
    )


def past_job(world: World, workshop: Workshop, bay: Bay, visit: Visit, morning: datetime, name: str) -> Story:
    """One job, or two rounds of it, to its end."""
    rng = world.rng(f"job {name}")
    technician = workshop.technician(rng)
    at = morning + _minutes(rng, 0, 150)
    yield at
    vehicle = known_vehicle(world, workshop, technician, visit.vehicle, at)
    work = _open(world, workshop, bay, visit, vehicle, technician, rng, at)
    at += _minutes(rng, 30, 70)
    yield at
    called = work.read(at)
    if rng.random() < STOPPED:
        at += _minutes(rng, 10, 40)
        yield at
        stop_job(job=work.job, actor=technician, at=at, note="Customer took the vehicle away")
        return
    for _ in range(MOST_ROUNDS):
        wrong = work.out_of_spec(called)
        if not wrong:
            break
        at += _minutes(rng, 20, 50)
        yield at
        work.measure(at, wrong)
        plan = work.plan(at)
        if not any(line.action in CHANGES for line in plan.lines.all()):
            break
        at = yield from _get_shims(world, workshop, work, plan, at)
        yield at
        work.fit(plan, at)
        at += _minutes(rng, 15, 40)
        yield at
        called |= work.read(at, [line.label for line in plan.lines.all() if line.action in CHANGES])
    at += _minutes(rng, 5, 25)
    yield at
    left = work.out_of_spec(called)
    because = f"{', '.join(left)} out of spec: no shim would do, engine to be looked at" if left else ""
    if left and not work.job.round:
        stop_job(job=work.job, actor=technician, at=at, note=because)
    else:
        _sign_off(work.job, technician, at, because)


def _sign_off(job: Job, technician: Actor, at: datetime, because: str) -> None:
    """Now and then a marking that was trusted was not true, and a valve comes out otherwise than planned."""
    try:
        sign_off_job(job=job, actor=technician, at=at, reason=because)
    except Conflict as refused:
        if refused.code != "unexplained-difference":
            raise
        sign_off_job(job=job, actor=technician, at=at, reason="Measured twice, the marking was worn off")


def _open(
    world: World,
    workshop: Workshop,
    bay: Bay,
    visit: Visit,
    vehicle: Vehicle,
    technician: Actor,
    rng: Random,
    at: datetime,
) -> JobWork:
    job = open_job(
        site=workshop.site,
        actor=technician,
        at=at,
        vehicle=vehicle,
        bay=bay,
        unit=workshop.facts.unit,
        odometer=f"{visit.engine_km} km",
        promised_at=at.replace(hour=16, minute=30) + timedelta(days=rng.randint(0, 2)),
    )
    engine = _engine_as_it_comes(world, vehicle, at)
    return JobWork(
        job=job, engine=engine, technician=technician, rng=rng, valves=list(job.valves.order_by("order"))
    )


def _engine_as_it_comes(world: World, vehicle: Vehicle, at: datetime) -> TrueEngine:
    known = world.engines.get(vehicle.registration)
    if known is None:
        engine = true_engine(world, vehicle.engine_type, vehicle.registration)
    else:
        engine, last = known
        engine.age((at - last).days)
    world.engines[vehicle.registration] = (engine, at)
    return engine


def _get_shims(
    world: World, workshop: Workshop, work: JobWork, plan: Plan, at: datetime
) -> Generator[datetime, None, datetime]:
    """Hold the plan's shims, wait for those that are bought, have them handed out; answers when to fit.

    Held at the moment of planning, so that no other story takes the shims in between.
    """
    rng = work.rng
    work.accept(plan, at)
    for _ in range(MOST_DAYS_WAITING):
        if work.job.state != Job.State.WAITING:
            break
        at = at.replace(hour=9, minute=0) + timedelta(days=1, minutes=rng.randint(0, 40))
        yield at
        buy_for_jobs(world, workshop, at)
        work.job.refresh_from_db()
    takes_from_shop = any(line.action in ("stock", "buy") for line in plan.lines.all())
    if rng.random() < HANDED_OUT and takes_from_shop:
        at += _minutes(rng, 5, 40)
        yield at
        work.job = hand_out_job(job=work.job, actor=workshop.counter, at=at)
    return at + _minutes(rng, 30, 120)


def _minutes(rng: Random, least: int, most: int) -> timedelta:
    return timedelta(minutes=rng.randint(least, most))
