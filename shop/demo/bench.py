"""The six jobs that are open: what makes each special is set in the engine, then read and planned as ever.

Everything happens on the last day, so that what is held stays held over the day on which the demo is built.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from jobs.services.handing_out import hand_out_job
from jobs.services.opening import open_job
from shop.demo.clock import Story
from shop.demo.fleet import vehicle
from shop.demo.history import known_vehicle, true_engine
from shop.demo.jobwork import JobWork
from shop.demo.seats import THOU_NM, Seat
from shop.demo.world import Workshop, World

LAST_DAY = 729
# Open jobs' vehicles are numbered above all that came before.
FIRST_NUMBER = 820
_MM = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What is the matter with one valve: the leaf that will pass in thou, and the shim that is in it."""

    passes_thou: int
    shim_nm: int


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenJob:
    """One open job: where it stands (`bay` None: in the yard), on what, and how far it has come.

    matters: valves set on purpose; the others are well inside their spec. read_only: beginnings of the labels
    that are read so far, () for all. unmeasured: out of spec, and their shim is still in the engine. acts:
    what is done after the readings. hours: of the last day when it was opened, of today when it is promised.
    """

    site: str
    bay: int | None
    engine: str
    matters: Mapping[str, Found]
    acts: tuple[str, ...]
    opened_hours: int
    promised_hours: int
    note: str = ""
    read_only: tuple[str, ...] = ()
    unmeasured: frozenset[str] = field(default_factory=frozenset)


PLAN, HOLD, HAND_OUT, FIT = "plan", "hold", "hand_out", "fit"

OPEN_JOBS = (
    # Readings being keyed in: half of the engine is done.
    OpenJob(
        site="quay",
        bay=1,
        engine="quennick-6",
        matters={
            "1-IN-R": Found(passes_thou=6, shim_nm=2_925_000),
            "2-EX-L": Found(passes_thou=10, shim_nm=3_012_000),
            "5-IN-L": Found(passes_thou=6, shim_nm=2_850_000),
        },
        read_only=("1-", "2-", "3-"),
        acts=(),
        opened_hours=15,
        promised_hours=16,
        note="Ticks when cold. Valve clearance and cover gasket.",
    ),
    # One valve is tight and another loose, and each has the shim that the other needs: a swap, nothing else.
    OpenJob(
        site="quay",
        bay=2,
        engine="vassik-3",
        matters={
            "1-IN-L": Found(passes_thou=4, shim_nm=2_700_000),
            "3-IN-R": Found(passes_thou=12, shim_nm=2_600_000),
        },
        acts=(PLAN,),
        opened_hours=13,
        promised_hours=15,
    ),
    # One valve has no clearance at all: no promise can be made for it.
    OpenJob(
        site="quay",
        bay=3,
        engine="olmarne-8",
        matters={
            "2-IN-R": Found(passes_thou=4, shim_nm=2_151_000),
            "5-EX-L": Found(passes_thou=0, shim_nm=2_300_000),
            "7-EX-R": Found(passes_thou=8, shim_nm=2_100_000),
        },
        acts=(PLAN, HOLD),
        opened_hours=9,
        promised_hours=41,
        note="Runs on seven when cold.",
    ),
    # One valve is so loose that the shop has no shim as thick as it needs: it waits for a purchase, in the
    # yard, so that the bay is free for the next engine.
    OpenJob(
        site="quay",
        bay=None,
        engine="torvane-5",
        matters={
            "2-EX-R": Found(passes_thou=17, shim_nm=3_000_000),
            "4-IN-L": Found(passes_thou=5, shim_nm=2_500_000),
        },
        acts=(PLAN, HOLD),
        opened_hours=8,
        promised_hours=64,
    ),
    # Out of spec, and nobody knows the shim: it has to be measured first.
    OpenJob(
        site="fell",
        bay=1,
        engine="ondrel-2",
        matters={
            "1-EX-L": Found(passes_thou=5, shim_nm=2_080_000),
            "2-IN-R": Found(passes_thou=3, shim_nm=2_120_000),
        },
        unmeasured=frozenset({"2-IN-R"}),
        acts=(PLAN,),
        opened_hours=14,
        promised_hours=12,
    ),
    # Fitted, to be measured again. What came out of it lies in its tray, and bay 1 takes such shims too: the
    # plan for the whole shop carries one over.
    OpenJob(
        site="fell",
        bay=2,
        engine="pellam-4s",
        matters={
            "1-IN-L": Found(passes_thou=2, shim_nm=2_012_000),
            "3-EX-R": Found(passes_thou=5, shim_nm=2_300_000),
        },
        acts=(PLAN, HOLD, HAND_OUT, FIT),
        opened_hours=8,
        promised_hours=10,
    ),
)


def start_open_jobs(world: World) -> None:
    for number, facts in enumerate(OPEN_JOBS):
        world.clock.start(open_story(world, world.workshops[facts.site], facts, FIRST_NUMBER + number))


def open_story(world: World, workshop: Workshop, facts: OpenJob, number: int) -> Story:
    """One open job up to where it stands now."""
    rng = world.rng(f"open job {number}")
    technician = workshop.technician(rng)
    at = world.on(LAST_DAY, facts.opened_hours, rng.randint(0, 25))
    yield at
    known = known_vehicle(world, workshop, technician, vehicle(rng, number, facts.engine), at)
    job = open_job(
        site=workshop.site,
        actor=technician,
        at=at,
        vehicle=known,
        bay=None if facts.bay is None else workshop.bays[facts.bay - 1],
        unit="thou",
        odometer=f"{rng.randint(40, 190)}{rng.randint(0, 999):03d} km",
        promised_at=world.today + timedelta(hours=facts.promised_hours),
        note=facts.note,
    )
    work = JobWork(
        job=job,
        engine=true_engine(world, known.engine_type, known.registration),
        technician=technician,
        rng=rng,
        valves=list(job.valves.order_by("order")),
    )
    _set_up(work, facts)
    at += timedelta(minutes=rng.randint(35, 55))
    yield at
    labels = [
        valve.label for valve in work.valves if not facts.read_only or valve.label.startswith(facts.read_only)
    ]
    called = work.read(at, labels)
    wrong = [label for label in work.out_of_spec(called) if label not in facts.unmeasured]
    if not facts.acts:
        return
    at += timedelta(minutes=rng.randint(20, 35))
    yield at
    work.measure(at, wrong)
    yield from _as_far_as(work, workshop, facts.acts, at)


def _as_far_as(work: JobWork, workshop: Workshop, acts: tuple[str, ...], at: datetime) -> Iterator[datetime]:
    plan = work.plan(at)
    ways: dict[str, Callable[[datetime], object]] = {
        HOLD: lambda at: work.accept(plan, at),
        HAND_OUT: lambda at: hand_out_job(job=work.job, actor=workshop.counter, at=at),
        FIT: lambda at: work.fit(plan, at),
    }
    for act in acts[1:]:
        at += timedelta(minutes=work.rng.randint(10, 40))
        yield at
        ways[act](at)


def _set_up(work: JobWork, facts: OpenJob) -> None:
    """Put each valve in the middle between two leaves, where every hand calls it the same."""
    for valve in work.valves:
        seat = work.engine.seats[valve.label]
        found = facts.matters.get(valve.label)
        if found is None:
            least, most = -(-valve.min_nm // THOU_NM), valve.max_nm // THOU_NM - 1
            leaf, shim_nm = work.rng.randint(least, max(least, most)), seat.shim_nm
        else:
            leaf, shim_nm = found.passes_thou, found.shim_nm
        work.engine.seats[valve.label] = Seat(
            clearance_nm=leaf * THOU_NM + THOU_NM // 2, shim_nm=shim_nm, tightens_nm=seat.tightens_nm
        )
