from datetime import timedelta

import pytest

from inventory.compute.lengths import parse_text
from inventory.services.catalogue import add_tray
from jobs.compute.layout import EngineLayout
from jobs.models import EngineType, Job
from jobs.services.engines import SideSpec, add_engine_type
from jobs.services.fitting import fit_job
from jobs.services.opening import open_job
from jobs.services.sign_off import sign_off_job
from jobs.services.stopping import stop_job
from shop.actor import service_actor
from shop.errors import Conflict, Forbidden, Invalid, NotFound
from shop.models import Bay
from tests.jobs.shop import AT, NEW, USED

GOOD = {"1-IN": "8 thou", "1-EX": "12 thou", "2-IN": "8 thou", "2-EX": "12 thou"}


@pytest.fixture
def bay(workshop):
    return workshop.bay()


def opened(workshop, actor, bay, vehicle=None, **more):
    return open_job(
        site=workshop.site, actor=actor, at=AT, vehicle=vehicle or workshop.vehicle(), bay=bay, **more
    )


def test_a_job_takes_bay_and_tray_and_copies_the_spec(workshop, tech, bay):
    due = AT + timedelta(hours=6)
    job = opened(workshop, tech, bay, odometer="24 118 km", promised_at=due, note="rattles")
    job.refresh_from_db()
    assert (job.number, job.state, job.round, job.unit, job.version) == (1, Job.State.OPEN, 0, "thou", 1)
    assert (job.bay, job.tray.code, job.promised_at) == (bay, "T01", due)
    assert job.spec_source == "workshop sheet 12, invented"
    valves = {valve.label: valve for valve in job.valves.all()}
    assert list(valves) == ["1-IN", "1-EX", "2-IN", "2-EX"]
    intake = valves["1-IN"]
    assert (intake.min_nm, intake.min_keyed, intake.max_keyed) == (152_400, "0.006 in", "0.010 in")
    # 60 % of the way from 6 to 10 thou.
    assert intake.aim_nm == 213_360
    assert {valve.shim_nm for valve in valves.values()} == {None}
    assert [event.text for event in job.events.all()] == ["Opened in Bay 1 with tray T01."]


def test_the_default_aim_is_rounded_down_to_a_whole_nanometre(workshop, tech, boss, bay):
    engine = add_engine_type(
        actor=boss,
        code="odd",
        name="Odd",
        layout=EngineLayout(cylinders=1, intake_per_cylinder=1, exhaust_per_cylinder=1),
        family=workshop.family,
        intake=SideSpec(min=parse_text("0.100000 mm"), max=parse_text("0.100004 mm")),
        exhaust=SideSpec(min=parse_text("0.1 mm"), max=parse_text("0.2 mm"), aim=parse_text("0.15 mm")),
        spec_source="workshop sheet 13, invented",
    )
    job = opened(workshop, tech, bay, workshop.vehicle("N 9", engine))
    valves = {valve.label: valve for valve in job.valves.all()}
    # 60 % of 4 nm is 2.4 nm.
    assert (valves["1-IN"].aim_nm, valves["1-IN"].aim_keyed) == (100_002, "")
    assert (valves["1-EX"].aim_nm, valves["1-EX"].aim_keyed) == (150_000, "0.15 mm")


def test_a_later_change_of_the_engine_type_does_not_change_the_job(workshop, tech, bay):
    job = opened(workshop, tech, bay)
    EngineType.objects.update(intake_max_nm=300_000, spec_source="another")
    job.refresh_from_db()
    assert job.spec_source == "workshop sheet 12, invented"
    assert job.valves.get(label="1-IN").max_nm == 254_000


def test_numbers_run_per_site(workshop, tech):
    assert [workshop.job().number, workshop.job().number] == [1, 2]


def test_a_taken_bay_is_refused_with_the_job_that_has_it(workshop, tech, bay):
    first = opened(workshop, tech, bay)
    with pytest.raises(Conflict, match="Bay 1 is taken by Job 1") as refusal:
        opened(workshop, tech, bay, workshop.vehicle("N 2"))
    assert refusal.value.code == "bay-taken"
    assert refusal.value.extra == {"job": str(first.pk)}
    assert Job.objects.count() == 1


def test_a_vehicle_cannot_be_in_two_bays(workshop, tech, bay):
    job = opened(workshop, tech, bay)
    with pytest.raises(Conflict, match="is in Bay 1 already") as refusal:
        opened(workshop, tech, workshop.bay(), job.vehicle)
    assert refusal.value.code == "vehicle-taken"


def test_the_lowest_free_tray_is_taken(workshop, tech, at):
    first, second = workshop.job(), workshop.job()
    assert (first.tray.code, second.tray.code) == ("T01", "T02")
    stop_job(job=first, actor=tech, at=at, note="came back another day")
    assert workshop.job().tray.code == "T01"


def test_tray_2_comes_before_tray_10(workshop, tech, service):
    for code in ("10", "2"):
        add_tray(site=workshop.site, actor=service, code=code)
    assert workshop.job().tray.code == "2"


def test_without_a_free_tray_it_says_so(workshop, tech, bay):
    opened(workshop, tech, bay)
    extra = Bay.objects.create(site=workshop.site, number=9)
    with pytest.raises(Conflict, match="No tray is free at North Yard") as refusal:
        opened(workshop, tech, extra, workshop.vehicle("N 2"))
    assert refusal.value.code == "no-free-tray"
    add_tray(site=workshop.site, actor=service_actor(), code="T09")
    assert opened(workshop, tech, extra, workshop.vehicle("N 3")).tray.code == "T09"


def test_bay_and_tray_are_free_again_after_the_job(workshop, tech, bay, at):
    first = opened(workshop, tech, bay)
    stop_job(job=first, actor=tech, at=at, note="no time")
    again = opened(workshop, tech, bay, first.vehicle)
    assert (again.number, again.bay, again.tray) == (2, bay, first.tray)


def test_shims_known_from_the_vehicles_last_job_stand_in_the_valves(workshop, tech, bay, at):
    workshop.stock(("2.575", USED, 1), ("2.750", NEW, 1))
    job = workshop.read(
        opened(workshop, tech, bay),
        {**GOOD, "1-IN": "5 thou", "2-EX": "15 thou"},
        {"1-IN": "2.650 mm", "2-EX": "2.675 mm", "1-EX": "2.701 mm"},
    )
    job = fit_job(job=workshop.held(job), actor=tech, at=at)
    job = workshop.read(job, {"1-IN": "8 thou", "2-EX": "12 thou"})
    job = sign_off_job(job=job, actor=tech, at=at)
    again = opened(workshop, tech, bay, job.vehicle)
    known = {
        valve.label: (valve.shim_nm, valve.shim_keyed, valve.shim_known_by) for valve in again.valves.all()
    }
    assert known == {
        # Fitted: the used one at what the micrometer said, the new one at its marking.
        "1-IN": (2_575_000, "2.575 mm", "measured"),
        "2-EX": (2_750_000, "2.75 mm", "marked"),
        # Measured and left in.
        "1-EX": (2_701_000, "2.701 mm", "measured"),
        "2-IN": (None, "", ""),
    }
    assert "3 shims known" in again.events.get().text


def test_shims_keyed_in_on_a_stopped_job_are_known_too(workshop, tech, bay, at):
    job = workshop.read(opened(workshop, tech, bay), {"1-IN": "8 thou"}, {"1-IN": "2.650 mm"})
    stop_job(job=job, actor=tech, at=at, note="customer needs it today")
    again = opened(workshop, tech, bay, job.vehicle)
    assert again.valves.get(label="1-IN").shim_nm == 2_650_000


def test_the_counter_may_not_open_a_job(workshop, clerk, bay):
    with pytest.raises(Forbidden, match="technician"):
        opened(workshop, clerk, bay)
    assert not Job.objects.exists()


def test_somebody_of_another_site_finds_nothing(workshop, stranger, bay):
    with pytest.raises(NotFound):
        opened(workshop, stranger, bay)
    assert not Job.objects.exists()


def test_a_bay_or_vehicle_of_another_site_does_not_exist(workshop, other_site, tech, stranger, bay):
    foreign = Bay.objects.create(site=other_site, number=1)
    with pytest.raises(NotFound):
        opened(workshop, tech, foreign)
    with pytest.raises(NotFound):
        open_job(site=other_site, actor=stranger, at=AT, vehicle=workshop.vehicle("N 2"), bay=foreign)


def test_every_wrong_value_is_named_at_once(workshop, tech, bay):
    with pytest.raises(Invalid) as refusal:
        opened(workshop, tech, bay, unit="feet", odometer="x" * 41)
    assert [error.pointer for error in refusal.value.errors] == ["/odometer", "/unit"]
    assert not Job.objects.exists()
