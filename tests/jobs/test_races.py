"""Two people at once, with real threads and real transactions, on both databases."""

import threading
import time
from collections.abc import Callable
from typing import Any

import pytest
from django.db import connection, connections

from inventory.models import Balance, Hold, HoldTakeOver, Movement, Reason
from inventory.selectors.audit import audit
from inventory.services.holds import Wanted, hold_shims
from jobs.models import Fit, Job, Plan
from jobs.services.ending_holds import take_over_hold
from jobs.services.fitting import fit_job
from jobs.services.handing_out import hand_out_job
from jobs.services.opening import open_job
from jobs.services.planning import accept_plan, release_plan
from jobs.services.readings import key_clearances
from jobs.services.sign_off import sign_off_job
from jobs.services.waking import sweep_holds
from shop.conf import conf
from shop.errors import Conflict, HoldExpired, NotEnough, StaleVersion, WrongState
from tests.jobs.shop import AT, NEW, USED, feel

pytestmark = pytest.mark.django_db(transaction=True)

OUT = {"1-IN": "5 thou", "1-EX": "12 thou", "2-IN": "5 thou", "2-EX": "12 thou"}
SHIMS = {"1-IN": "2.650 mm", "2-IN": "2.850 mm"}


def together(*acts: Callable[[], Any]) -> list[Any]:
    """Start all acts at the same moment; what each returned or raised, in order."""
    start = threading.Barrier(len(acts))
    ended: list[Any] = [None] * len(acts)

    def run(index: int, act: Callable[[], Any]) -> None:
        start.wait()
        try:
            ended[index] = act()
        except Exception as error:
            ended[index] = error
        finally:
            connections.close_all()

    threads = [threading.Thread(target=run, args=(index, act)) for index, act in enumerate(acts)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    return ended


def deadlocks() -> int:
    """How many PostgreSQL has broken in this database so far; SQLite's one lock has none to break."""
    if connection.vendor != "postgresql":
        return 0
    with connection.cursor() as cursor:
        # A backend's figures are counted once it is gone (its manual, "The Cumulative Statistics System").
        for _ in range(100):
            cursor.execute(
                "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database()"
                " AND backend_type = 'client backend' AND pid <> pg_backend_pid()"
            )
            if not cursor.fetchone()[0]:
                break
            time.sleep(0.05)
        cursor.execute("SELECT pg_stat_clear_snapshot()")
        cursor.execute("SELECT deadlocks FROM pg_stat_database WHERE datname = current_database()")
        return cursor.fetchone()[0]


def kinds(ended: list[Any]) -> list[type]:
    return sorted((type(end) for end in ended), key=lambda kind: kind.__name__)


def test_one_bay_takes_one_job(workshop, tech):
    bay, others = workshop.bay(), [workshop.bay() for _ in range(3)]
    vehicles = [workshop.vehicle(f"N {number}") for number in range(4)]
    ended = together(
        *(
            lambda vehicle=vehicle: open_job(site=workshop.site, actor=tech, at=AT, vehicle=vehicle, bay=bay)
            for vehicle in vehicles
        )
    )
    assert kinds(ended) == [Conflict, Conflict, Conflict, Job]
    assert Job.objects.count() == 1
    assert len(others) == 3


def test_jobs_that_are_opened_at_once_get_a_number_and_a_tray_each(workshop, tech):
    bays = [workshop.bay() for _ in range(4)]
    vehicles = [workshop.vehicle(f"N {number}") for number in range(4)]
    ended = together(
        *(
            lambda vehicle=vehicle, bay=bay: open_job(
                site=workshop.site, actor=tech, at=AT, vehicle=vehicle, bay=bay
            )
            for vehicle, bay in zip(vehicles, bays, strict=True)
        )
    )
    assert sorted(job.number for job in ended) == [1, 2, 3, 4]
    assert sorted(job.tray.code for job in ended) == ["T01", "T02", "T03", "T04"]


@pytest.mark.parametrize("_round", range(5))
def test_of_two_jobs_that_want_the_last_shim_one_gets_it_and_the_other_is_told(workshop, tech, _round):
    workshop.stock(("2.575", USED, 1))
    one_valve = {**OUT, "2-IN": "8 thou"}
    plans = [
        workshop.planned(workshop.read(workshop.job(), one_valve, {"1-IN": "2.650 mm"})) for _ in range(2)
    ]
    ended = together(*(lambda plan=plan: accept_plan(plan=plan, actor=tech, at=AT) for plan in plans))
    assert kinds(ended) == [NotEnough, Plan]
    assert sorted(Plan.objects.values_list("state", flat=True)) == [Plan.State.ACCEPTED, Plan.State.STALE]
    assert sorted(Job.objects.values_list("state", flat=True)) == [Job.State.HELD, Job.State.PLANNED]
    assert Hold.objects.count() == 1


def test_a_double_tap_on_hold_holds_once(workshop, tech):
    workshop.stock(("2.575", USED, 4), ("2.775", NEW, 4))
    plan = workshop.planned(workshop.read(workshop.job(), OUT, SHIMS))
    ended = together(*[lambda: accept_plan(plan=plan, actor=tech, at=AT)] * 4)
    assert kinds(ended) == [Plan, WrongState, WrongState, WrongState]
    assert sum(Balance.objects.values_list("held", flat=True)) == 2


def test_a_double_tap_on_fit_fits_once(workshop, tech):
    workshop.stock(("2.575", USED, 4), ("2.775", NEW, 4))
    job = workshop.held(workshop.read(workshop.job(), OUT, SHIMS))
    ended = together(*[lambda: fit_job(job=job, actor=tech, at=AT)] * 4)
    assert kinds(ended) == [Job, WrongState, WrongState, WrongState]
    assert Movement.objects.filter(reason=Reason.FIT).count() == 1
    assert Fit.objects.count() == 2


def test_a_double_tap_on_sign_off_recovers_once(workshop, tech):
    workshop.stock(("2.575", USED, 1), ("2.775", NEW, 1))
    job = fit_job(job=workshop.held(workshop.read(workshop.job(), OUT, SHIMS)), actor=tech, at=AT)
    job = workshop.read(job, {"1-IN": "8 thou", "2-IN": "8 thou"})
    ended = together(*[lambda: sign_off_job(job=job, actor=tech, at=AT)] * 3)
    assert kinds(ended) == [Job, WrongState, WrongState]
    assert Movement.objects.filter(reason=Reason.RECOVER).count() == 1


def test_an_engine_gets_what_another_loses_and_neither_waits_for_the_other(workshop, tech):
    """Pull and fit are two movements: each of these engines first touches what the other touches second."""
    workshop.stock(("2.575", USED, 4), ("2.650", USED, 4))
    tight = {**OUT, "2-IN": "8 thou"}
    jobs = []
    for _ in range(4):
        for clearances, own in ((tight, "2.650 mm"), ({**tight, "1-IN": "11 thou"}, "2.575 mm")):
            job = workshop.held(workshop.read(workshop.job(), clearances, {"1-IN": own}))
            jobs.append(hand_out_job(job=job, actor=tech, at=AT))
    before = deadlocks()
    for first, second in zip(jobs[::2], jobs[1::2], strict=True):
        ended = together(*(lambda job=job: fit_job(job=job, actor=tech, at=AT) for job in (first, second)))
        assert kinds(ended) == [Job, Job]
    # A deadlock would be survived by trying again, a second later: nobody would see it but here.
    assert deadlocks() == before
    assert Movement.objects.filter(reason=Reason.FIT).count() == 8


def test_two_who_key_in_from_the_same_sheet_do_not_overwrite_each_other(workshop, tech):
    job = workshop.job()
    ended = together(
        *(
            lambda passes=passes: key_clearances(
                job=job, actor=tech, at=AT, readings={"1-IN": feel(passes)}, version=1
            )
            for passes in ("7 thou", "8 thou")
        )
    )
    assert kinds(ended) == [Job, StaleVersion]


@pytest.mark.parametrize("_round", range(5))
def test_a_fit_and_the_sweep_at_the_last_moment(workshop, tech, _round):
    """Whoever comes first decides; either way the books and the job agree."""
    workshop.stock(("2.575", USED, 1), ("2.775", NEW, 1))
    job = workshop.held(workshop.read(workshop.job(), OUT, SHIMS))
    late = AT + conf.hold_time
    fitted, _swept = together(
        lambda: fit_job(job=job, actor=tech, at=AT), lambda: sweep_holds(site=workshop.site, at=late)
    )
    job.refresh_from_db()
    hold = Hold.objects.get()
    if isinstance(fitted, Job):
        assert (job.state, hold.state) == (Job.State.FITTED, Hold.State.FITTED)
    else:
        assert isinstance(fitted, HoldExpired | WrongState)
        assert (job.state, hold.state) == (Job.State.PLANNED, Hold.State.EXPIRED)
    assert not Balance.objects.exclude(held=0).exists()


def test_what_is_held_by_hand_is_free_for_nobody_while_the_plan_takes_it_over(workshop, tech):
    """Others who want the last shim never get it; of two who accept the plan one does."""
    before = deadlocks()
    workshop.stock(("2.575", USED, 1))
    line = Wanted(
        place=workshop.bin("2.575"),
        family_id=workshop.family.pk,
        thickness_nm=2_575_000,
        condition=USED,
        quantity=1,
    )
    by = {"site": workshop.site, "actor": tech, "at": AT, "lines": [line]}
    for _ in range(4):
        job = workshop.read(workshop.job(), OUT, SHIMS)
        by_hand = hold_shims(**by, reference="by hand", job_id=job.pk)
        plan = workshop.planned(job)

        def accept(plan=plan):
            return accept_plan(plan=plan, actor=tech, at=AT)

        def grab():
            return hold_shims(**by, reference="somebody else")

        *accepted, first, second = together(accept, accept, grab, grab)
        assert sorted(isinstance(end, Plan) for end in accepted) == [False, True], accepted
        assert [type(end) for end in (first, second)] == [NotEnough, NotEnough]
        assert Hold.objects.get(job_id=job.pk, state=Hold.State.HELD) == by_hand
        assert Balance.objects.get(place=workshop.bin("2.575")).held == 1
        release_plan(job=Job.objects.get(pk=job.pk), actor=tech, at=AT)
    assert deadlocks() == before
    assert audit() == []


@pytest.mark.parametrize("act", [hand_out_job, fit_job, release_plan], ids=lambda act: act.__name__)
def test_a_manager_takes_the_plan_s_hold_while_somebody_acts_on_it(workshop, tech, boss, act):
    """Whoever comes first has the shims; the job says at once where it stands."""
    before = deadlocks()
    workshop.stock(("2.575", USED, 3), ("2.775", NEW, 3))
    for _ in range(3):
        job = workshop.held(workshop.read(workshop.job(), OUT, SHIMS))
        hold = Hold.objects.get(job_id=job.pk, state=Hold.State.HELD)
        acted, taken = together(
            lambda job=job: act(job=job, actor=tech, at=AT),
            lambda hold=hold: take_over_hold(
                hold=hold, actor=boss, at=AT, reference="shelf", reason="it waits outside"
            ),
        )
        job.refresh_from_db()
        if isinstance(taken, HoldTakeOver):
            assert isinstance(acted, WrongState), acted
            assert job.state == Job.State.PLANNED
            assert "Taken over for shelf by" in job.plans.get().stale_because
        else:
            assert (type(acted), type(taken)) == (Job, WrongState), (acted, taken)
        assert audit() == []
    assert deadlocks() == before
