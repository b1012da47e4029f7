"""Shims arrive for a job, or the job loses them: what happens without anybody's hand on the job."""

import uuid
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.models import Balance, Hold, Need, PurchaseList
from inventory.services.catalogue import add_supplier
from inventory.services.holds import expire_due_holds, release_hold
from inventory.services.purchasing import Buy, mark_bought
from inventory.services.receiving import receive_purchase
from jobs.models import Job, Plan
from jobs.services.handing_out import hand_out_job
from jobs.services.planning import accept_plan, plan_job, release_plan
from jobs.services.readings import key_clearances
from jobs.services.stopping import stop_job
from jobs.services.waking import sweep_holds, wake_job
from shop.conf import conf
from shop.errors import HoldExpired
from shop.models import Task
from tests.jobs.shop import AT, HOUR, USED, feel

OUT = {"1-IN": "5 thou", "1-EX": "12 thou", "2-IN": "5 thou", "2-EX": "12 thou"}
SHIMS = {"1-IN": "2.650 mm", "2-IN": "2.850 mm"}
LATE = AT + conf.hold_time
DAY = timedelta(days=1)


@pytest.fixture
def waiting(workshop):
    """1-IN has its used 2.575 mm held, 2-IN waits for a 2.775 mm."""
    workshop.stock(("2.575", USED, 1))
    workshop.empty_bin(2_775_000)
    return workshop.held(workshop.read(workshop.job(), OUT, SHIMS))


@pytest.fixture
def held(workshop):
    workshop.stock(("2.575", USED, 1))
    return workshop.held(workshop.read(workshop.job(), {**OUT, "2-IN": "8 thou"}, SHIMS))


@pytest.fixture
def supplier(boss):
    return add_supplier(actor=boss, code="lund", name="Lund Parts", lead_days=1)


@pytest.fixture
def order(workshop, clerk, supplier):
    def buy(quantity=1) -> PurchaseList:
        return mark_bought(
            site=workshop.site,
            actor=clerk,
            at=AT,
            supplier=supplier,
            buys=[Buy(family=workshop.family, thickness_nm=2_775_000, quantity=quantity)],
        )

    return buy


def receive(purchase_list, clerk, at=AT, quantity=1) -> None:
    line = purchase_list.lines.get()
    receive_purchase(purchase_list=purchase_list, actor=clerk, at=at, received={line.pk: quantity})


def now(job) -> tuple[str, str]:
    job.refresh_from_db()
    return job.state, job.plans.first().state


def free_bins() -> dict[str, int]:
    rows = Balance.objects.filter(place__kind="bin").select_related("place")
    return {row.place.code: row.on_hand - row.held for row in rows}


def test_the_last_shim_that_was_missing_wakes_the_job_and_gives_the_bay_its_time(waiting, order, clerk):
    receive(order(), clerk, at=AT + HOUR)
    task = Task.objects.get(kind="stock_arrived")
    assert task.payload == {"job": str(waiting.pk)}
    assert wake_job(job_id=waiting.pk, at=AT + 2 * HOUR) == Job.State.HELD
    assert now(waiting) == (Job.State.HELD, Plan.State.ACCEPTED)
    # A day to come and the waiting time: the shims that were held from the start, and the others with them.
    assert set(Hold.objects.values_list("expires_at", flat=True)) == {AT + DAY + conf.waiting_hold_time}
    assert waiting.events.last().text == "Everything is here and held."


def test_shims_that_come_late_give_the_bay_its_usual_time(waiting, order, clerk):
    late = AT + DAY + conf.waiting_hold_time - HOUR
    receive(order(), clerk, at=late)
    assert wake_job(job_id=waiting.pk, at=late) == Job.State.HELD
    assert set(Hold.objects.values_list("expires_at", flat=True)) == {late + conf.hold_time}


def test_waking_twice_does_it_once(waiting, order, clerk):
    receive(order(), clerk)
    wake_job(job_id=waiting.pk, at=AT)
    waiting.refresh_from_db()
    version, events = waiting.version, waiting.events.count()
    assert wake_job(job_id=waiting.pk, at=AT + HOUR) == Job.State.HELD
    waiting.refresh_from_db()
    assert (waiting.version, waiting.events.count()) == (version, events)


def test_while_something_is_still_to_come_the_job_sleeps_on(workshop, order, clerk):
    workshop.empty_bin()
    job = workshop.held(
        workshop.read(workshop.job(), {**OUT, "1-IN": "5 thou"}, {"1-IN": "2.850 mm", "2-IN": "2.850 mm"})
    )
    bought = order(quantity=2)
    receive(bought, clerk, quantity=1)
    assert wake_job(job_id=job.pk, at=AT) == Job.State.WAITING
    receive(bought, clerk, quantity=1)
    assert wake_job(job_id=job.pk, at=AT) == Job.State.HELD
    assert Hold.objects.filter(job_id=job.pk).count() == 2


def test_a_job_that_is_not_there_or_waits_for_nothing_is_left_alone(workshop, held):
    assert wake_job(job_id=uuid.uuid4(), at=AT) == ""
    assert wake_job(job_id=held.pk, at=AT) == Job.State.HELD
    assert wake_job(job_id=workshop.job().pk, at=AT) == Job.State.OPEN


def test_shims_that_came_for_a_job_are_free_when_it_is_stopped(waiting, order, clerk, tech):
    receive(order(), clerk)
    stop_job(job=waiting, actor=tech, at=AT, note="no time")
    assert free_bins() == {"B01": 1, "N1": 1}
    assert wake_job(job_id=waiting.pk, at=AT) == Job.State.STOPPED


def test_a_hold_that_slips_in_after_the_job_ended_is_given_free(waiting, order, clerk, tech):
    bought = order()
    stop_job(job=waiting, actor=tech, at=AT, note="no time")
    Need.objects.update(state=Need.State.BOUGHT)  # as the receipt saw it, before the stop was committed
    receive(bought, clerk)
    assert free_bins() == {"B01": 1, "N1": 0}
    assert wake_job(job_id=waiting.pk, at=AT) == Job.State.STOPPED
    assert free_bins() == {"B01": 1, "N1": 1}


def test_the_sweep_expires_holds_and_puts_the_job_back(held, workshop):
    assert sweep_holds(site=workshop.site, at=LATE - timedelta(seconds=1)) == 0
    assert now(held) == (Job.State.HELD, Plan.State.ACCEPTED)
    assert sweep_holds(site=workshop.site, at=LATE) == 1
    assert now(held) == (Job.State.PLANNED, Plan.State.STALE)
    assert held.plans.get().stale_because == ("The shims are no longer held for Job 1: 2.575 mm for 1-IN.")
    event = held.events.last()
    assert (event.act, event.by, event.at) == ("hold_lost", "Coldgap", LATE)
    assert Hold.objects.get().state == Hold.State.EXPIRED
    assert sweep_holds(site=workshop.site, at=LATE) == 0
    assert held.events.filter(act="hold_lost").count() == 1


def test_a_waiting_job_that_loses_its_first_hold_no_longer_wants_anything_bought(waiting, workshop):
    assert sweep_holds(site=workshop.site, at=LATE) == 0
    assert now(waiting) == (Job.State.WAITING, Plan.State.ACCEPTED)
    sweep_holds(site=workshop.site, at=AT + conf.waiting_hold_time)
    assert now(waiting) == (Job.State.PLANNED, Plan.State.STALE)
    assert Need.objects.get().state == Need.State.CANCELLED


def test_a_received_shim_whose_hold_ran_out_counts_as_lost(waiting, order, clerk, workshop):
    receive(order(), clerk)
    wake_job(job_id=waiting.pk, at=AT)
    sweep_holds(site=workshop.site, at=AT + DAY + conf.waiting_hold_time)
    assert now(waiting) == (Job.State.PLANNED, Plan.State.STALE)
    assert free_bins() == {"B01": 1, "N1": 1}


def test_holds_that_somebody_gave_free_put_the_job_back_too(held, clerk, workshop):
    release_hold(hold=Hold.objects.get(), actor=clerk, at=AT)
    assert sweep_holds(site=workshop.site, at=AT) == 1
    assert now(held) == (Job.State.PLANNED, Plan.State.STALE)


def test_handed_out_shims_do_not_run_out(held, clerk, workshop):
    hand_out_job(job=held, actor=clerk, at=AT)
    assert sweep_holds(site=workshop.site, at=LATE + 900 * HOUR) == 0
    assert now(held)[0] == Job.State.OUT


def test_a_sweep_that_finds_nothing_takes_as_many_queries_for_many_jobs(workshop):
    workshop.stock(("2.575", USED, 4))

    def hold_one() -> None:
        workshop.held(workshop.read(workshop.job(), {**OUT, "2-IN": "8 thou"}, SHIMS))

    def sweep() -> int:
        with CaptureQueriesContext(connection) as seen:
            assert sweep_holds(site=workshop.site, at=AT) == 0
        return len(seen)

    hold_one()
    one = sweep()
    hold_one()
    hold_one()
    assert sweep() == one


def test_the_sweep_of_one_site_leaves_the_other_alone(held, other_site):
    assert sweep_holds(site=other_site, at=LATE) == 0
    assert Hold.objects.get().state == Hold.State.HELD


def test_without_a_sweep_who_acts_next_finds_the_plan_out_of_date(held, tech):
    with pytest.raises(HoldExpired, match="Plan again"):
        hand_out_job(job=held, actor=tech, at=LATE)
    assert now(held) == (Job.State.HELD, Plan.State.ACCEPTED)
    plan = plan_job(job=held, actor=tech, at=LATE)
    assert plan.lines.get(label="1-IN").action == "stock"
    assert now(held) == (Job.State.PLANNED, Plan.State.PROPOSED)
    assert held.plans.get(number=1).state == Plan.State.STALE
    accept_plan(plan=plan, actor=tech, at=LATE)
    assert now(held) == (Job.State.HELD, Plan.State.ACCEPTED)


def test_readings_may_be_corrected_once_the_hold_ran_out(held, tech):
    job = key_clearances(job=held, actor=tech, at=LATE, readings={"1-IN": feel("4 thou")})
    assert job.state == Job.State.OPEN


def test_there_is_nothing_to_release_once_the_hold_ran_out(held, tech):
    with pytest.raises(HoldExpired):
        release_plan(job=held, actor=tech, at=LATE)


def test_a_swept_hold_is_found_the_same(held, tech, workshop):
    expire_due_holds(site=workshop.site, at=LATE)
    with pytest.raises(HoldExpired):
        hand_out_job(job=held, actor=tech, at=LATE)
