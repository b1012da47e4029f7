"""What jobs tell others of: everything here, a plan out of date, signed off."""

import pytest

from inventory.models import Hold
from inventory.services.catalogue import add_supplier
from inventory.services.holds import Wanted, hold_shims, release_hold
from inventory.services.purchasing import Buy, mark_bought
from inventory.services.receiving import receive_purchase
from jobs.models import Plan
from jobs.services.fitting import fit_job
from jobs.services.planning import accept_plan, plan_job, release_plan
from jobs.services.readings import key_clearances
from jobs.services.sign_off import sign_off_job
from jobs.services.stopping import stop_job
from jobs.services.waking import sweep_holds, wake_job
from shop.errors import Conflict, NotEnough
from shop.webhooks.events import EventKind
from tests.jobs.shop import AT, HOUR, USED, feel
from tests.told import told

pytestmark = pytest.mark.django_db
OUT = {"1-IN": "5 thou", "1-EX": "12 thou", "2-IN": "5 thou", "2-EX": "12 thou"}
ONE_OUT = OUT | {"2-IN": "8 thou"}
SHIMS = {"1-IN": "2.650 mm", "2-IN": "2.850 mm"}


@pytest.fixture
def job(workshop):
    """1-IN wants the used 2.575 mm that is there."""
    workshop.stock(("2.575", USED, 1))
    return workshop.read(workshop.job(), ONE_OUT, SHIMS)


def of(job, **more):
    return {"site": "north", "job": str(job.pk), "number": job.number} | more


def test_everything_that_a_job_waited_for_is_told_once_it_is_here(workshop, service, clerk):
    workshop.stock(("2.575", USED, 1))
    workshop.empty_bin(2_775_000)
    job = workshop.held(workshop.read(workshop.job(), OUT, SHIMS))
    bought = mark_bought(
        site=workshop.site,
        actor=clerk,
        at=AT,
        supplier=add_supplier(actor=service, code="lund", name="Lund Parts", lead_days=1),
        buys=[Buy(family=workshop.family, thickness_nm=2_775_000, quantity=1)],
    )
    assert told() == []
    receive_purchase(purchase_list=bought, actor=clerk, at=AT, received={bought.lines.get().pk: 1})
    for _ in range(2):
        wake_job(job_id=job.pk, at=AT)
    assert told(EventKind.HOLD_READY) == [of(job)]


def test_a_plan_whose_hold_was_given_free_is_told_to_be_out_of_date(workshop, job, tech):
    job = workshop.held(job)
    release_hold(hold=Hold.objects.get(), actor=tech, at=AT)
    for _ in range(2):
        sweep_holds(site=workshop.site, at=AT)
    plan = Plan.objects.get()
    (data,) = told()
    assert data == of(job, plan=str(plan.pk), because=plan.stale_because)
    assert "2.575 mm for 1-IN" in data["because"]


def test_a_plan_whose_shims_somebody_else_took_is_told_although_nothing_else_happens(workshop, job, tech):
    plan = workshop.planned(job)
    want = Wanted(
        place=workshop.bins["2.575"],
        family_id=workshop.family.pk,
        thickness_nm=2_575_000,
        condition=USED,
        quantity=1,
    )
    hold_shims(site=workshop.site, actor=tech, at=AT, lines=[want], reference="another")
    with pytest.raises(NotEnough):
        accept_plan(plan=plan, actor=tech, at=AT)
    with pytest.raises(Conflict):
        accept_plan(plan=plan, actor=tech, at=AT)
    assert [data["plan"] for data in told()] == [str(plan.pk)]


def test_a_plan_that_rests_on_older_readings_is_told_to_be_out_of_date(workshop, job, tech):
    plan = workshop.planned(job)
    key_clearances(job=job, actor=tech, at=AT + HOUR, readings={"1-IN": feel("4 thou")})
    (data,) = told()
    assert data["plan"] == str(plan.pk)
    assert data["because"].startswith("Keyed in after it was made")
    # The same again changes nothing, and there is no plan left to go out of date.
    key_clearances(job=job, actor=tech, at=AT + HOUR, readings={"1-IN": feel("4 thou")})
    assert len(told()) == 1


def test_a_plan_that_the_jobs_own_people_put_aside_is_no_news(workshop, job, tech):
    plan_job(job=job, actor=tech, at=AT)
    plan_job(job=job, actor=tech, at=AT)
    job = workshop.held(job)
    release_plan(job=job, actor=tech, at=AT)
    stop_job(job=job, actor=tech, at=AT, note="sold")
    assert told() == []


def test_a_sign_off_is_told(workshop, job, tech):
    job = workshop.held(job)
    fit_job(job=job, actor=tech, at=AT)
    with pytest.raises(Conflict):
        sign_off_job(job=job, actor=tech, at=AT)
    assert told() == []
    job = key_clearances(job=job, actor=tech, at=AT, readings={"1-IN": feel("8 thou")})
    job = sign_off_job(job=job, actor=tech, at=AT)
    assert told() == [of(job)]
