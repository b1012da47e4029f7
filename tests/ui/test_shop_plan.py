"""One plan for the whole shop, on its pages: made, accepted, carried from bay to bay, fitted."""

import pytest

from inventory.models import Supplier
from inventory.selectors.audit import audit
from inventory.services.catalogue import add_offer, add_supplier
from inventory.services.floor import Shims, scrap_shims
from inventory.services.purchasing import Buy, mark_bought
from jobs.models import HandOver, Job, ShopPlan
from jobs.services.shop_accepting import accept_shop_plan
from shop.actor import service_actor
from shop.background.work import work_once
from tests.jobs.shop import AT, USED
from tests.jobs.three_bays import fresh, made, three_bays
from tests.ui.pages import text_of


@pytest.fixture
def jobs(workshop):
    return three_bays(workshop)


def test_three_engines_through_the_pages(jobs, bay_tablet, counter_screen, workshop):
    assert "No plan yet" in text_of(bay_tablet.get("shop_plan"))
    page = text_of(bay_tablet.post("make_shop_plan"))
    assert "Shop plan 1 is being made" in page
    assert "Cancel it" in page
    work_once()
    page = text_of(bay_tablet.get("shop_plan"))
    assert "2 of 3 engines can leave" in page
    assert "Take the 2.650 mm shim of 1-IN from bay 1 to bay 2 for 1-IN." in page
    assert "No other plan is better." in page
    assert "1 × 2.8" in page
    plan = ShopPlan.objects.get()
    page = text_of(counter_screen.post("accept_shop_plan", plan.pk))
    assert "Shop plan 1 is accepted: everything that it takes is held." in page

    (row,) = HandOver.objects.filter(to_job=jobs[1])
    for job in jobs[:2]:
        assert "Take the 2.650 mm shim of 1-IN from bay 1 (Job 1) to bay 2 (Job 2)" in text_of(
            bay_tablet.get("job", job.pk)
        )
    refused = bay_tablet.post("fit", jobs[1].pk, version=fresh(jobs)[1].version)
    assert "hand over the 2.650 mm shim of 1-IN from bay 1" in text_of(refused)
    page = text_of(bay_tablet.post("hand_over", jobs[0].pk, row.pk))
    assert "The shim is in the tray of bay 2 (Job 2), held for 1-IN." in page
    assert "Handed over" in text_of(bay_tablet.get("fitting", jobs[1].pk))
    for other in HandOver.objects.filter(state="promised"):
        bay_tablet.post("hand_over", other.to_job_id, other.pk)
    for job in fresh(jobs)[1:]:
        bay_tablet.post("fit", job.pk, version=job.version)
        workshop.read(Job.objects.get(pk=job.pk), {"1-IN": "8 thou"})
        bay_tablet.post("sign_off", job.pk, version=Job.objects.get(pk=job.pk).version)
    states = [job.state for job in fresh(jobs)]
    assert states == [Job.State.WAITING, Job.State.SIGNED_OFF, Job.State.SIGNED_OFF]
    assert audit() == []


def test_what_moved_on_is_said_before_anybody_accepts(jobs, workshop, bay_tablet, tech, service):
    made(workshop, tech)
    bent = Shims(family=workshop.family, thickness_nm=2_575_000, condition=USED, quantity=1)
    scrap_shims(
        site=workshop.site,
        actor=service,
        at=AT,
        source=workshop.bins["2.575"],
        shims=[bent],
        note="bent",
    )
    page = bay_tablet.get("shop_plan")
    assert "The shop moved on since Shop plan 1 was made." in text_of(page)
    assert "Accept: hold all of it" not in text_of(page)
    refused = bay_tablet.post("accept_shop_plan", ShopPlan.objects.get().pk)
    assert refused.status_code == 409
    assert "Nothing was held" in text_of(refused)


def test_cancelled(jobs, bay_tablet):
    bay_tablet.post("make_shop_plan")
    page = text_of(bay_tablet.post("cancel_shop_plan", ShopPlan.objects.get().pk))
    assert "Shop plan 1 is cancelled." in page
    assert "No plan yet" in page


def test_only_managers_are_offered_to_move_accepted_parts(jobs, bay_tablet, office):
    assert "anew too" not in text_of(bay_tablet.get("shop_plan"))
    assert "anew too" in text_of(office.get("shop_plan"))
    assert bay_tablet.post("make_shop_plan", move_accepted="on").status_code == 403


def test_the_page_asks_as_often_however_many_engines(
    jobs, workshop, tech, office, django_assert_max_num_queries
):
    made(workshop, tech)
    with django_assert_max_num_queries(40) as first:
        office.get("shop_plan")
    for _ in range(3):
        workshop.read(
            workshop.job(),
            {"1-IN": "5 thou", "2-IN": "8 thou", "1-EX": "12 thou", "2-EX": "12 thou"},
            {"1-IN": "2.650 mm"},
        )
    made(workshop, tech)
    with django_assert_max_num_queries(len(first)):
        office.get("shop_plan")


def test_promise(jobs, bay_tablet):
    job = jobs[0]
    page = text_of(bay_tablet.post("promise", job.pk, version=job.version, priority="7", promised_at=""))
    assert "The promise is changed." in page
    assert "Priority 7" in page


def test_an_accepted_plan_says_so(jobs, workshop, tech, bay_tablet):
    accept_shop_plan(plan=made(workshop, tech), actor=tech, at=AT)
    page = text_of(bay_tablet.get("shop_plan"))
    assert "Shop plan 1 was accepted by Ines Varga" in page
    assert "To be handed over." in page


def offered(family, *, price, lead_days):
    """One supplier of it."""
    supplier = add_supplier(actor=service_actor(), code="brandt", name="Brandt Parts", lead_days=lead_days)
    add_offer(actor=service_actor(), supplier=supplier, family=family, price=price, currency="EUR")


def test_where_the_time_was_up_the_page_says_what_is_not_proven_and_by_how_much(
    jobs, workshop, tech, bay_tablet, settings
):
    settings.COLDGAP = settings.COLDGAP | {"SHOP_PLAN_SECONDS": 0.0}
    plan = made(workshop, tech)
    proof = plan.result["proof"]
    assert proof["unproven"]
    page = text_of(bay_tablet.get("shop_plan"))
    assert "Not all of it is proven" in page
    assert "at the very least: a gap of" in page


def test_what_it_costs(jobs, workshop, tech, office):
    """At 12 minutes an opening, 75 an hour, 20 a bay hour, 8 of them a day; a used shim is worth half a new
    one: four openings, one used shim, one bought, and bay 1 waits two days for it."""
    made(workshop, tech)
    assert "Shims at cost not known: no price for 2 of them" in text_of(office.get("shop_plan"))
    offered(workshop.family, price=4, lead_days=2)
    page = text_of(office.get("shop_plan"))
    assert "Shims at cost 6.00 EUR" in page
    assert "Work 60.00 EUR for 48 minutes" in page
    assert "Waiting 320.00 EUR for 16 bay hours" in page
    assert "Together 386.00 EUR" in page


def test_what_is_on_order_keeps_a_bay_until_it_is_due_and_one_in_the_yard_not_at_all(
    jobs, workshop, tech, office
):
    offered(workshop.family, price=4, lead_days=2)
    buys = [Buy(family=workshop.family, thickness_nm=2_825_000, quantity=1)]
    mark_bought(site=workshop.site, actor=service_actor(), at=AT, supplier=Supplier.objects.get(), buys=buys)
    Supplier.objects.update(lead_days=5)
    made(workshop, tech)
    assert "Waiting 800.00 EUR for 40 bay hours" in text_of(office.get("shop_plan"))
    Job.objects.filter(pk=jobs[0].pk).update(bay=None)
    made(workshop, tech)
    page = text_of(office.get("shop_plan"))
    assert ("Together" in page, "bay hours" in page) == (True, False)
