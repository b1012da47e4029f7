"""What people ask of jobs, and that the answer never takes more queries for more rows."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from jobs.models import Job, Plan
from jobs.selectors.jobs import board, job_of, job_sheet, jobs_of, vehicle_history
from jobs.services.fitting import fit_job
from jobs.services.handing_out import hand_out_job
from jobs.services.opening import open_job
from jobs.services.planning import release_plan
from jobs.services.sign_off import sign_off_job
from jobs.services.stopping import stop_job
from shop.errors import NotFound
from shop.models import Bay
from tests.jobs.shop import AT, HOUR, NEW, USED, make_engine

OUT = {"1-IN": "5 thou", "1-EX": "12 thou", "2-IN": "5 thou", "2-EX": "12 thou"}
SHIMS = {"1-IN": "2.650 mm", "2-IN": "2.850 mm"}


def queries(ask) -> int:
    with CaptureQueriesContext(
        connection,
    ) as seen:
        ask()
    return len(seen)


@pytest.fixture
def held(workshop):
    workshop.stock(("2.575", USED, 1), ("2.775", NEW, 1))
    return workshop.held(workshop.read(workshop.job(), OUT, SHIMS))


def by_label(sheet) -> dict:
    return {valve.valve.label: valve for valve in sheet.valves}


def test_the_sheet_before_the_fit(held):
    sheet = job_sheet(held)
    assert [valve.valve.label for valve in sheet.valves] == ["1-IN", "1-EX", "2-IN", "2-EX"]
    tight = by_label(sheet)["1-IN"]
    assert (tight.reading, tight.verdict, tight.after) == (tight.before, "tight", None)
    assert (tight.before.passes_keyed, tight.line.action, tight.fits) == ("5 thou", "stock", ())
    assert (tight.valve.position.row, by_label(sheet)["1-EX"].valve.position.row) == (0, 1)
    assert sheet.plan == held.plans.get()
    assert [hold.reference for hold in sheet.holds] == ["Job 1"]
    assert [str(item) for item in sheet.items] == ["1 cover gasket", "2 half-moon seal"]
    assert "fit_job" in sheet.may
    assert sheet.next == "Hand out or fit, or release the plan."
    assert (sheet.to_read, sheet.needs) == ((), ())


def test_the_sheet_after_the_fit_wants_opened_valves_read_again(held, workshop, tech):
    job = fit_job(job=held, actor=tech, at=AT)
    sheet = job_sheet(job)
    assert sheet.to_read == ("1-IN", "2-IN")
    assert sheet.next == "Key in the readings after, then sign off or plan again."
    opened = by_label(sheet)["1-IN"]
    assert (opened.reading, opened.verdict, opened.verdict_before) == (None, None, "tight")
    assert [fit.fitted_nm for fit in opened.fits] == [2_575_000]
    left = by_label(sheet)["1-EX"]
    assert (left.reading.passes_keyed, left.verdict, left.after) == ("12 thou", "in_spec", None)
    workshop.read(job, {"1-IN": "8 thou", "2-IN": "10 thou"})
    sheet = job_sheet(job)
    assert sheet.next == "Sign off, or plan again."
    valves = by_label(sheet)
    assert (valves["1-IN"].before.passes_keyed, valves["1-IN"].after.passes_keyed) == ("5 thou", "8 thou")
    assert (valves["1-IN"].verdict, valves["2-IN"].verdict) == ("in_spec", "at_limit")


def test_the_sheet_keeps_every_reading_and_shows_the_last(workshop):
    job = workshop.read(workshop.job(), {"1-IN": "5 thou"}, {"1-IN": "2.650 mm"})
    workshop.read(job, {"1-IN": "6 thou"}, {"1-IN": "2.640 mm"})
    valve = by_label(job_sheet(job))["1-IN"]
    assert [row.passes_keyed for row in valve.readings] == ["5 thou", "6 thou"]
    assert [row.thickness_keyed for row in valve.shim_readings] == ["2.650 mm", "2.640 mm"]
    assert valve.reading == valve.readings[-1]


def test_the_sheet_of_a_waiting_job_names_what_is_to_buy(workshop):
    job = workshop.held(workshop.read(workshop.job(), OUT, SHIMS))
    assert [(need.valve_label, need.thickness_nm) for need in job_sheet(job).needs] == [
        ("1-IN", 2_575_000),
        ("2-IN", 2_775_000),
    ]


def test_the_sheet_says_what_comes_next(workshop, tech):
    good = {**OUT, "1-IN": "8 thou", "2-IN": "8 thou"}
    assert job_sheet(workshop.job()).next == "Key in what is not read yet, then plan."
    right = workshop.read(workshop.job(), good)
    assert job_sheet(right).next == "Plan the job."
    plan = workshop.planned(right)
    assert job_sheet(right).next.endswith("Sign the job off.")
    plan.state, plan.stale_because = Plan.State.STALE, "The stock changed."
    plan.save()
    assert job_sheet(right).next == "The plan is out of date. The stock changed. Plan again."
    unknown = workshop.read(workshop.job(), OUT)
    workshop.planned(unknown)
    assert "measure the shims of 1-IN, 2-IN" in job_sheet(unknown).next
    known = workshop.read(workshop.job(), OUT, SHIMS)
    workshop.planned(known)
    assert job_sheet(known).next == "Hold the plan's shims, or plan again."


def test_a_job_without_a_plan_has_a_sheet(workshop):
    sheet = job_sheet(workshop.job())
    assert sheet.plan is None
    assert sheet.to_read == ("1-IN", "1-EX", "2-IN", "2-EX")


def test_the_sheet_takes_as_many_queries_for_a_big_engine_with_a_history(workshop, held, tech):
    small = queries(lambda: job_sheet(held))
    engine = make_engine(workshop.family, "vee-8", cylinders=8, banks=2, intake=2, exhaust=2)
    job = workshop.job(workshop.vehicle("N 9", engine))
    clearances = {
        label: "5 thou" if "-IN" in label else "12 thou"
        for label in job.valves.values_list("label", flat=True)
    }
    shims = dict.fromkeys(clearances, "2.650 mm")
    workshop.stock(("2.600", NEW, 30))
    job = workshop.held(workshop.read(job, clearances, shims))
    job = workshop.held(release_plan(job=job, actor=tech, at=AT))
    assert queries(lambda: job_sheet(job)) == small


def test_the_board_says_what_each_bay_waits_for(workshop, tech, at):
    free = workshop.bay()
    workshop.stock(("2.575", USED, 9), ("2.775", NEW, 9))
    unread = workshop.read(workshop.job(), {"1-IN": "8 thou"})
    read = workshop.read(workshop.job(), OUT, SHIMS)
    planned = workshop.read(workshop.job(), OUT, SHIMS)
    workshop.planned(planned)
    held = workshop.held(workshop.read(workshop.job(), OUT, SHIMS))
    out = hand_out_job(job=workshop.held(workshop.read(workshop.job(), OUT, SHIMS)), actor=tech, at=at)
    waiting = workshop.held(workshop.read(workshop.job(), OUT, {"1-IN": "2.350 mm", "2-IN": "2.350 mm"}))
    fitted = fit_job(job=workshop.held(workshop.read(workshop.job(), OUT, SHIMS)), actor=tech, at=at)
    done = workshop.read(
        fit_job(job=workshop.held(workshop.read(workshop.job(), OUT, SHIMS)), actor=tech, at=at),
        {"1-IN": "8 thou", "2-IN": "8 thou"},
    )
    rows = [(row.bay, row.job, row.waits_for) for row in board(workshop.site)]
    assert rows == [
        (free, None, ""),
        (unread.bay, unread, "3 readings to be keyed in"),
        (read.bay, read, "a plan"),
        (planned.bay, planned, "its shims to be held"),
        (held.bay, held, "its shims to be handed out and fitted"),
        (out.bay, out, "its shims to be fitted"),
        (waiting.bay, waiting, "2 × 2.275 mm to buy"),
        (fitted.bay, fitted, "2 readings after the fit"),
        (done.bay, done, "sign-off"),
    ]


def test_the_board_takes_as_many_queries_for_many_bays(workshop, tech):
    workshop.stock(("2.575", USED, 9), ("2.775", NEW, 2))
    for _ in range(2):
        workshop.held(workshop.read(workshop.job(), OUT, SHIMS))
    few = queries(lambda: board(workshop.site))
    for _ in range(4):
        workshop.held(workshop.read(workshop.job(), OUT, SHIMS))
    assert len(board(workshop.site)) == 6
    assert queries(lambda: board(workshop.site)) == few


def test_the_board_leaves_closed_jobs_and_other_sites_out(workshop, other_site, tech):
    stop_job(job=workshop.job(), actor=tech, at=AT, note="no time")
    Bay.objects.create(site=other_site, number=7)
    assert [(row.bay.number, row.job) for row in board(workshop.site)] == [(1, None)]


def test_the_list_of_jobs(workshop, tech, other_site):
    first, second = workshop.job(), workshop.job()
    stop_job(job=first, actor=tech, at=AT, note="no time")
    assert list(jobs_of(workshop.site)) == [second, first]
    assert list(jobs_of(workshop.site, open_only=True)) == [second]
    assert list(jobs_of(workshop.site, states=[Job.State.STOPPED])) == [first]
    assert list(jobs_of(workshop.site, vehicle=first.vehicle)) == [first]
    assert list(jobs_of(other_site)) == []


def test_the_list_takes_one_query_for_what_a_list_shows(workshop):
    def show() -> list[str]:
        return [
            f"{job} {job.vehicle} {job.bay} {job.tray} {job.engine_type} {job.family} {job.site}"
            for job in jobs_of(workshop.site)
        ]

    workshop.job()
    assert queries(show) == 1
    workshop.job()
    assert queries(show) == 1


def test_a_job_of_another_site_is_not_found(workshop, other_site):
    job = workshop.job()
    assert job_of(workshop.site, job.pk) == job
    with pytest.raises(NotFound):
        job_of(other_site, job.pk)


def test_a_vehicles_history_has_every_job_and_what_was_fitted(held, workshop, tech):
    vehicle, bay = held.vehicle, held.bay
    job = workshop.read(fit_job(job=held, actor=tech, at=AT), {"1-IN": "8 thou", "2-IN": "8 thou"})
    sign_off_job(job=job, actor=tech, at=AT)

    def again(hours):
        job = open_job(site=workshop.site, actor=tech, at=AT + hours * HOUR, vehicle=vehicle, bay=bay)
        return stop_job(job=job, actor=tech, at=AT + hours * HOUR, note="no time")

    later = again(1)
    assert vehicle.site == workshop.site  # read once, before counting
    two = queries(lambda: vehicle_history(vehicle))
    history = vehicle_history(vehicle)
    assert [entry.job for entry in history] == [later, job]
    assert [(fit.valve.label, fit.fitted_nm) for fit in history[1].fits] == [
        ("1-IN", 2_575_000),
        ("2-IN", 2_775_000),
    ]
    assert history[0].fits == ()
    again(2)
    again(3)
    assert queries(lambda: vehicle_history(vehicle)) == two
    assert vehicle_history(workshop.vehicle("N 900")) == []
