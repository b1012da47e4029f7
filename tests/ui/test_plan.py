"""The plan: made, drawn, held, released; what is said when it no longer holds."""

import pytest

from inventory.models import Balance, Hold
from inventory.services.floor import Shims, scrap_shims
from jobs.models import Job, Plan
from tests.jobs.shop import AT, NEW, USED
from tests.ui.pages import fields_of, text_of

pytestmark = pytest.mark.django_db
READ = {"1-IN": "5 thou", "1-EX": "11 thou", "2-IN": "8 thou", "2-EX": "12 thou"}


@pytest.fixture
def job(workshop):
    workshop.stock(("2.550", NEW, 1), ("2.575", NEW, 1))
    return workshop.read(workshop.job(), READ, {"1-IN": "2.650 mm"})


def plan(browser, job):
    job.refresh_from_db()
    return browser.post("make_plan", job.pk, version=job.version)


def hold(browser, job, **more):
    job.refresh_from_db()
    last = job.plans.order_by("-number").first()
    return browser.post("hold_plan", job.pk, last.pk, **{"version": job.version} | more)


def test_before_everything_is_read_it_says_what_is_missing(bay_tablet, workshop):
    job = workshop.job()
    assert "Still to be read: 1-IN, 1-EX, 2-IN, 2-EX." in text_of(bay_tablet.get("plan", job.pk))
    page = plan(bay_tablet, job)
    assert page.status_code == 409
    assert "Not read: 1-IN, 1-EX, 2-IN, 2-EX." in text_of(page)
    assert not Plan.objects.exists()


def test_the_plan_in_words_on_the_engine_and_valve_by_valve(bay_tablet, job):
    page = plan(bay_tablet, job)
    words = text_of(page)
    assert "1 valve is opened." in words
    assert "1 new shim comes from a bin." in words
    assert "Nothing is bought." in words
    assert "Left over 2.650 mm of 1-IN" in words
    html = page.content.decode()
    assert html.count('<svg class="drawn ') == 3
    assert "1-IN: gets 2.575 mm from bin B02." in html
    assert "3 valves stay as they are" in words
    assert "Tight: 5 thou (0.127 mm) called" in words


def test_a_swap_has_an_arrow_each_way(bay_tablet, workshop):
    job = workshop.read(workshop.job(), {**READ, "2-IN": "13 thou"}, {"1-IN": "2.700 mm", "2-IN": "2.600 mm"})
    page = plan(bay_tablet, job)
    html = page.content.decode()
    assert html.count('class="way"') == 3 * 2 + 1  # in every drawing, and in the key
    assert "1-IN: gets the shim from 2-IN." in html
    assert "2 shims move within the engine." in text_of(page)


def test_what_must_be_measured_first_is_said(bay_tablet, workshop):
    job = workshop.read(workshop.job(), READ)
    words = text_of(plan(bay_tablet, job))
    assert "1 shim has to be measured first; then plan again." in words
    assert "Measure first 1-IN" in words
    assert "Hold these shims" not in words


def test_holding_leads_to_fitting(bay_tablet, job):
    plan(bay_tablet, job)
    page = hold(bay_tablet, job)
    assert page.redirect_chain == [(bay_tablet.address("fitting", job.pk), 303)]
    assert Hold.objects.get().job_id == job.pk
    job.refresh_from_db()
    assert job.state == Job.State.HELD


def test_a_second_tap_holds_nothing_more(bay_tablet, job):
    plan(bay_tablet, job)
    job.refresh_from_db()
    args = (job.pk, job.plans.get().pk)
    assert bay_tablet.post("hold_plan", *args, version=job.version).status_code == 200
    second = bay_tablet.post("hold_plan", *args, version=job.version)
    assert second.status_code == 412
    assert "Somebody changed Job 1 since you opened it." in text_of(second)
    # The page shows the job as it is now.
    assert "Shims held" in text_of(second)
    assert Hold.objects.count() == 1
    assert Balance.objects.filter(held__gt=0).count() == 1


def test_whoever_looks_at_an_old_page_is_told(bay_tablet, office, job):
    shown = fields_of(bay_tablet.get("plan", job.pk))
    plan(office, job)
    late = bay_tablet.post("make_plan", job.pk, version=shown["version"])
    assert late.status_code == 412
    assert "Somebody changed Job 1" in text_of(late)


def test_shims_that_are_gone_are_named_and_the_plan_is_out_of_date(bay_tablet, workshop, clerk, job):
    plan(bay_tablet, job)
    scrap_shims(
        site=workshop.site,
        actor=clerk,
        at=AT,
        source=workshop.bin("2.575"),
        shims=[Shims(family=workshop.family, thickness_nm=2_575_000, condition=NEW, quantity=1)],
        note="bent",
    )
    page = hold(bay_tablet, job)
    assert page.status_code == 409
    words = text_of(page)
    assert "The stock changed since this plan was made." in words
    assert "This plan is out of date." in words
    assert not Hold.objects.exists()
    assert "2.550" in text_of(plan(bay_tablet, job))


def test_a_plan_of_another_job_is_not_held(bay_tablet, workshop, job):
    plan(bay_tablet, job)
    other = workshop.read(workshop.job(), READ, {"1-IN": "2.650 mm"})
    assert bay_tablet.post("hold_plan", job.pk, workshop.planned(other).pk).status_code == 404
    assert bay_tablet.post("hold_plan", job.pk, job.pk).status_code == 404
    assert not Hold.objects.exists()


def test_released_shims_are_free_again(bay_tablet, job):
    plan(bay_tablet, job)
    hold(bay_tablet, job)
    job.refresh_from_db()
    page = bay_tablet.post("release_plan", job.pk, version=job.version)
    assert "its shims are free for others" in text_of(page)
    assert Hold.objects.get().state == Hold.State.RELEASED
    assert "Hold these shims" in text_of(page)


def test_what_is_to_be_bought_leads_to_the_list(bay_tablet, workshop):
    job = workshop.read(workshop.job(), READ, {"1-IN": "2.650 mm"})
    plan(bay_tablet, job)
    page = hold(bay_tablet, job)
    assert "What has to be bought is on the list of what to buy." in text_of(page)
    assert "What is to be bought" in text_of(page)


def test_no_clearance_is_never_certain_and_says_so(bay_tablet, workshop):
    workshop.stock(("2.450", USED, 1))
    job = workshop.read(workshop.job(), {**READ, "1-IN": "0 thou"}, {"1-IN": "2.650 mm"})
    words = text_of(plan(bay_tablet, job))
    assert "1-IN: no clearance. Measure again after fitting" in words
    assert "not for certain" in words


def test_an_engine_that_is_in_spec_goes_on_to_signing_off(bay_tablet, workshop):
    job = workshop.read(workshop.job(), {**READ, "1-IN": "8 thou"})
    page = plan(bay_tablet, job)
    assert "Every valve may stay as it is." in text_of(page)
    assert "On to signing off" in text_of(page)


def test_the_counter_may_plan_and_hold(counter_screen, job):
    plan(counter_screen, job)
    assert hold(counter_screen, job).status_code == 200
    assert Hold.objects.get().created_by == "Tobi Lund"
