"""A job that waits for a purchase keeps the shims that it has (inventory/services/hold_times.py)."""

from datetime import timedelta

import pytest

from inventory.models import Hold
from inventory.services.catalogue import add_supplier
from inventory.services.hold_times import LONGEST
from inventory.services.holds import Wanted, extend_hold, hold_shims
from inventory.services.purchasing import Buy, cancel_purchase, mark_bought
from inventory.services.receiving import receive_purchase
from jobs.models import Job, Plan
from jobs.services.waking import sweep_holds
from shop.conf import conf
from tests.jobs.shop import AT, NEW, USED

OUT = {"1-IN": "5 thou", "1-EX": "12 thou", "2-IN": "5 thou", "2-EX": "12 thou"}
SHIMS = {"1-IN": "2.650 mm", "2-IN": "2.850 mm"}
DAY = timedelta(days=1)
SECOND = timedelta(seconds=1)
LACKS_NM = 2_775_000


@pytest.fixture
def wait(workshop):
    """Opens a job that has its used 2.575 mm held for 1-IN and waits for a 2.775 mm for 2-IN."""
    workshop.stock(("2.575", USED, 2))
    workshop.empty_bin(LACKS_NM)

    def begin(promised_at=None):
        return workshop.held(workshop.read(workshop.job(promised_at=promised_at), OUT, SHIMS))

    return begin


@pytest.fixture
def buy(workshop, clerk, boss):
    supplier = add_supplier(actor=boss, code="lund", name="Lund Parts", lead_days=12)

    def order(at=AT, quantity=1):
        buys = [Buy(family=workshop.family, thickness_nm=LACKS_NM, quantity=quantity)]
        return mark_bought(site=workshop.site, actor=clerk, at=at, supplier=supplier, buys=buys)

    return order


def ends(job):
    return [hold.expires_at - AT for hold in Hold.objects.filter(job_id=job.pk).order_by("created_at", "pk")]


def test_it_runs_out_the_settings_days_after_now(wait, settings):
    assert ends(wait()) == [7 * DAY]
    settings.COLDGAP = settings.COLDGAP | {"WAITING_HOLD_DAYS": 3}
    assert ends(wait()) == [3 * DAY]


def test_never_sooner_than_any_other_hold(wait, settings):
    settings.COLDGAP = settings.COLDGAP | {"WAITING_HOLD_DAYS": 0}
    assert ends(wait()) == [conf.hold_time]


def test_after_the_promised_day_where_that_is_later(wait):
    assert ends(wait(promised_at=AT + 5 * DAY)) == [12 * DAY]
    assert ends(wait(promised_at=AT - 5 * DAY)) == [7 * DAY]


def test_no_hold_stands_for_longer_than_a_year(wait):
    assert ends(wait(promised_at=AT + 3000 * DAY)) == [LONGEST]


def test_buying_makes_it_stand_until_the_delivery_has_had_time_to_come(wait, buy):
    job = wait()
    (before,) = Hold.objects.all()
    buy(at=AT + 2 * DAY)
    assert ends(job) == [(2 + 12 + 7) * DAY]
    assert Hold.objects.get().version == before.version + 1


def test_buying_shortens_nothing(wait, buy, tech):
    job = wait()
    extend_hold(hold=Hold.objects.get(), actor=tech, at=AT, expires_in=90 * DAY)
    buy()
    assert ends(job) == [90 * DAY]


def test_buying_revives_no_hold_whose_time_is_over(wait, buy, workshop):
    job = wait()
    buy(at=AT + 7 * DAY)
    assert ends(job) == [7 * DAY]
    assert sweep_holds(site=workshop.site, at=AT + 7 * DAY) == 1


def test_buying_for_one_job_leaves_the_others_alone(wait, buy):
    first, second = wait(), wait()
    buy(quantity=1)
    assert sorted([ends(first), ends(second)]) == [[7 * DAY], [19 * DAY]]


def test_a_list_that_is_cancelled_leaves_what_is_held(wait, buy, clerk):
    job = wait()
    cancel_purchase(purchase_list=buy(), actor=clerk, at=AT + DAY)
    assert ends(job) == [19 * DAY]


def test_part_of_a_delivery_is_held_until_the_rest_has_had_time_to_come(workshop, clerk, buy):
    workshop.empty_bin()
    job = workshop.held(workshop.read(workshop.job(), OUT, {"1-IN": "2.850 mm", "2-IN": "2.850 mm"}))
    bought = buy(quantity=2)
    receive_purchase(purchase_list=bought, actor=clerk, at=AT + DAY, received={bought.lines.get().pk: 1})
    assert ends(job) == [19 * DAY]


def test_a_job_that_waits_keeps_its_plan_past_the_usual_time_and_loses_it_after_the_longer_one(
    wait, workshop
):
    job = wait()
    last = AT + 7 * DAY - SECOND
    assert last > AT + conf.hold_time
    assert sweep_holds(site=workshop.site, at=last) == 0
    job.refresh_from_db()
    assert (job.state, job.plans.get().state) == (Job.State.WAITING, Plan.State.ACCEPTED)
    assert sweep_holds(site=workshop.site, at=last + SECOND) == 1
    job.refresh_from_db()
    assert (job.state, job.plans.get().state) == (Job.State.PLANNED, Plan.State.STALE)


def test_who_says_how_long_is_obeyed(wait, workshop, tech):
    job = wait()
    workshop.stock(("2.600", NEW, 1))
    wanted = Wanted(
        place=workshop.bin("2.600"),
        family_id=workshop.family.pk,
        thickness_nm=2_600_000,
        condition=NEW,
        quantity=1,
    )
    hold = hold_shims(
        site=workshop.site,
        actor=tech,
        at=AT,
        lines=[wanted],
        reference="spare",
        job_id=job.pk,
        expires_in=DAY,
    )
    assert hold.expires_at == AT + DAY
