"""The plan's page beyond the plan: other ways, money, what to measure; what a fit came to; what was saved."""

import pytest

from inventory.services.catalogue import add_offer, add_supplier
from jobs.models import Job
from jobs.services.fitting import fit_job
from jobs.services.handing_out import hand_out_job
from jobs.services.planning import accept_plan, plan_job
from jobs.services.sign_off import sign_off_job
from shop.actor import service_actor
from tests.jobs.shop import AT, HOUR, NEW, USED
from tests.ui.pages import fields_of, text_of

pytestmark = pytest.mark.django_db
READ = {"1-IN": "5 thou", "1-EX": "12 thou", "2-IN": "8 thou", "2-EX": "12 thou"}


@pytest.fixture
def job(workshop):
    """1-IN takes 2.523 to 2.624 mm; used 2.600 and new 2.575 mm lie in the drawer."""
    workshop.stock(("2.575", NEW, 1), ("2.600", USED, 1))
    supplier = add_supplier(actor=service_actor(), code="near", name="Nearby Shims", lead_days=2)
    add_offer(actor=service_actor(), supplier=supplier, family=workshop.family, price=8, currency="EUR")
    job = workshop.read(workshop.job(), READ, {"1-IN": "2.650 mm"})
    workshop.planned(job)
    job.refresh_from_db()
    return job


def test_the_ways_stand_side_by_side_with_their_money(bay_tablet, job):
    words = text_of(bay_tablet.get("plan", job.pk))
    assert "Other ways to do it" in words
    # A used shim at half of 8.00, twelve minutes at 75 an hour.
    assert "The usual way; opens the fewest valves; buys nothing" in words
    assert "Shims at cost 4.00 EUR" in words
    assert "Work 15.00 EUR for 12 minutes" in words
    assert "Together 19.00 EUR" in words
    assert "Closest to the aim; no used shims from bins" in words
    assert "23.00 EUR" in words
    assert words.count("this plan") == 1


def test_a_way_is_chosen_without_script_and_becomes_the_plan(bay_tablet, job):
    page = bay_tablet.post("make_plan", job.pk, version=job.version, alternative="closest")
    assert page.status_code == 200
    plan = job.plans.latest("number")
    assert (plan.number, plan.wish, plan.state) == (2, "closest", "proposed")
    assert "Plan 2 is made." in text_of(page)
    assert plan.lines.get(label="1-IN").thickness_nm == 2_575_000


def test_a_way_that_is_not_offered_is_refused_on_the_page(bay_tablet, job):
    page = bay_tablet.post("make_plan", job.pk, version=job.version, alternative="cheapest")
    assert page.status_code == 400
    assert "There is no such way to plan." in text_of(page)
    assert job.plans.count() == 1


def test_why_not_the_nearer_one(bay_tablet, job):
    words = text_of(bay_tablet.get("plan", job.pk))
    assert "The nearer 2.575 mm shim is new, and a shim that has been used goes first." in words


def test_a_nearer_one_that_another_job_holds(bay_tablet, workshop, job):
    # It takes 2.493 to 2.594 mm: the new 2.575 mm alone would do.
    workshop.held(workshop.read(workshop.job(), READ, {"1-IN": "2.620 mm"}))
    page = bay_tablet.post("make_plan", job.pk, version=job.version)
    assert "The nearer 2.575 mm shim is held by Job 2." in text_of(page)
    assert job.plans.latest("number").lines.get(label="1-IN").thickness_nm == 2_600_000


def test_one_more_in_the_drawer(bay_tablet, workshop, tech):
    job = workshop.read(workshop.job(), READ, {"1-IN": "2.550 mm"})
    plan_job(job=job, actor=tech, at=AT)
    words = text_of(bay_tablet.get("plan", job.pk))
    assert "One more new 2.475 mm shim in the drawer would have saved buying 1." in words
    assert "Waiting" not in words  # no supplier, so nobody knows how long it takes


def test_waiting_costs_bay_hours(bay_tablet, workshop, tech, job):
    lacking = workshop.read(workshop.job(), READ, {"1-IN": "2.500 mm"})
    plan_job(job=lacking, actor=tech, at=AT)
    words = text_of(bay_tablet.get("plan", lacking.pk))
    assert "Waiting 320.00 EUR for 16 bay hours" in words


def test_what_to_measure_next(bay_tablet, workshop, tech):
    job = workshop.read(workshop.job(), READ, {"1-IN": "2.550 mm"})
    plan_job(job=job, actor=tech, at=AT)
    words = text_of(bay_tablet.get("plan", job.pk))
    assert "Shims worth measuring next" in words
    assert "No shim that is known sets 1-IN right without buying." in words
    # One of 49 sizes, and nothing is known of such engines.
    assert "2-IN : 2 % that it helps. 2.500 mm would help. Only 0 shims of such engines" in words


def test_nothing_is_offered_once_the_shims_are_held(bay_tablet, workshop, job):
    accept_plan(plan=job.plans.get(), actor=workshop.tech, at=AT)
    words = text_of(bay_tablet.get("plan", job.pk))
    assert "Other ways to do it" not in words
    assert "Together 19.00 EUR" in words


def both_fitted(workshop, tech):
    workshop.stock(("2.500", NEW, 1), ("2.700", NEW, 1))
    read = {**READ, "2-IN": "5 thou"}
    job = workshop.read(workshop.job(), read, {"1-IN": "2.570 mm", "2-IN": "2.770 mm"})
    return fit_job(job=workshop.held(job), actor=tech, at=AT)


def test_an_exchange_is_said_on_the_fitting_and_the_sign_off_page(bay_tablet, workshop, tech):
    job = workshop.read(both_fitted(workshop, tech), {"1-IN": "0 thou", "2-IN": "15 thou"})
    for name in ("fitting", "sign_off"):
        words = text_of(bay_tablet.get(name, job.pk))
        assert "Predicted against measured" in words, name
        assert "the shims of 1-IN and 2-IN are in each other's places" in words, name
    assert words.count("differs") == 2


def test_a_difference_wants_a_reason_on_the_page(bay_tablet, workshop, tech):
    job = workshop.read(both_fitted(workshop, tech), {"1-IN": "10 thou", "2-IN": "8 thou"})
    assert "Predicted against measured" in text_of(bay_tablet.get("sign_off", job.pk))
    refused = bay_tablet.post("sign_off", job.pk, version=job.version)
    assert refused.status_code == 409
    assert "Not as predicted: 1-IN." in text_of(refused)
    signed = bay_tablet.post("sign_off", job.pk, version=job.version, reason="read with a bent leaf")
    assert signed.status_code == 200
    job.refresh_from_db()
    assert (job.state, job.sign_off_reason) == (Job.State.SIGNED_OFF, "read with a bent leaf")
    said = "Signed off over a difference at 1-IN. read with a bent leaf"
    assert said in text_of(bay_tablet.get("job", job.pk))


def test_shims_too_alike_are_named(bay_tablet, workshop, tech):
    workshop.stock(("2.500", NEW, 1), ("2.525", NEW, 1))
    read = {**READ, "2-IN": "5 thou"}
    job = workshop.read(workshop.job(), read, {"1-IN": "2.570 mm", "2-IN": "2.595 mm"})
    job = fit_job(job=workshop.held(job), actor=tech, at=AT)
    job = workshop.read(job, {"1-IN": "7 thou", "2-IN": "7 thou"})
    words = text_of(bay_tablet.get("sign_off", job.pk))
    assert "Shims too alike for the leaf: 1 pair" in words
    assert "1-IN and 2-IN. These two cannot be told apart by the leaf." in words


def swapped(workshop, tech):
    """1-IN and 2-IN change shims: 2.700 and 2.600 mm."""
    read = {**READ, "2-IN": "13 thou"}
    job = workshop.read(workshop.job(), read, {"1-IN": "2.700 mm", "2-IN": "2.600 mm"})
    job = fit_job(job=workshop.held(job), actor=tech, at=AT)
    after = workshop.read(job, {"1-IN": "9 thou", "2-IN": "9 thou"})
    return sign_off_job(job=after, actor=tech, at=AT + HOUR)


def test_the_manager_sees_what_swaps_saved(office, workshop, tech, job):
    swapped(workshop, tech)
    hand_out_job(job=workshop.held(job), actor=tech, at=AT)
    fit_job(job=job, actor=tech, at=AT)
    words = text_of(office.get("savings"))
    # Two swaps at 8.00; a used shim from a bin saves 8.00 less its own 4.00.
    assert "16.00 EUR by swaps, 20.00 EUR with used shims" in words
    assert "2 shims moved from one valve to another" in words
    assert "March 2 16.00 EUR 1 4.00 EUR 20.00 EUR" in words
    assert "Nothing was fitted here in 2025 that saved a purchase." in text_of(
        office.get("savings", year=2025)
    )
    assert "What was saved" in text_of(office.get("board"))


def test_shims_without_a_price_are_counted_apart(office, workshop, tech):
    swapped(workshop, tech)
    words = text_of(office.get("savings"))
    assert "0.00 EUR by swaps" in words
    assert "2 shims without a price count nothing." in words


def test_savings_are_the_managers_and_of_their_site_alone(
    bay_tablet, counter_screen, foreign, workshop, tech
):
    swapped(workshop, tech)
    for browser in (bay_tablet, counter_screen):
        assert browser.get("savings").status_code == 403
        assert "What was saved" not in text_of(browser.get("board"))
    assert foreign.get("savings").status_code == 404


def test_a_year_that_is_none_is_this_one(office, workshop):
    for year in ("12", "abcd", "9999", "²⁰²⁵"):
        assert "Saved in 2026" in text_of(office.get("savings", year=year))


def test_the_form_of_a_way_names_its_wish(bay_tablet, job):
    assert fields_of(bay_tablet.get("plan", job.pk))["alternative"] == "closest"
