"""The check before the cover comes off: what it reads from the shop's past, and from the drawers."""

from fractions import Fraction

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.services.catalogue import add_supplier
from inventory.services.holds import Wanted, hold_shims
from inventory.services.needing import add_needs
from inventory.services.purchasing import Buy, mark_bought
from jobs.compute.planner import plan_engine
from jobs.selectors.beforehand import before_opening
from jobs.selectors.problem import problem_of
from jobs.services.fitting import fit_job
from jobs.services.sign_off import sign_off_job
from jobs.services.vehicles import enter_vehicle
from shop.actor import actor_for_user, service_actor
from shop.models import Membership, Role
from tests.jobs.past import AFTER, FINE, TIGHT, took_the_last, visit
from tests.jobs.shop import AT, NEW, USED, Workshop, mm

pytestmark = pytest.mark.django_db


@pytest.fixture
def drawer(workshop):
    """Enough of what sets a tight 1-IN right, at the first visit and at the next."""
    workshop.stock(("2.575", NEW, 8), ("2.525", NEW, 8), ("2.500", NEW, 8))
    return workshop


def check(workshop, vehicle=None, actor=None, **asked):
    if vehicle is None and not asked:
        asked = {"engine_type": workshop.engine}
    return before_opening(workshop.site, actor or workshop.tech, vehicle=vehicle, **asked)


class TestWhatItRestsOn:
    def test_no_past_engine_no_figure(self, drawer):
        answer = check(drawer)
        assert answer.say == ("No past Invented twin-4 was set right here yet: look at the drawer yourself.",)
        assert (answer.ahead.chance, answer.ahead.cases, answer.rows) == (None, 0, ())

    def test_an_engine_in_no_list(self, drawer):
        vehicle = enter_vehicle(
            site=drawer.site,
            actor=drawer.tech,
            at=AT,
            registration="HM 1",
            description="home-made",
            engine_type=None,
        )
        answer = check(drawer, vehicle)
        assert (answer.told, answer.ahead.cases) == (None, 0)
        assert "in no list" in answer.say[0]

    def test_a_type_goes_by_how_engines_came_in(self, drawer):
        visit(drawer, drawer.vehicle("N 1"))
        visit(drawer, drawer.vehicle("N 2"), FINE)
        answer = check(drawer)
        assert answer.told.basis == "type"
        assert (answer.ahead.cases, answer.ahead.done) == (2, 2)
        (row,) = answer.rows
        assert (row.size.size_nm, row.size.wanted, row.count.available) == (mm("2.575").nm, 1, 7)

    def test_only_engines_that_were_signed_off(self, drawer):
        drawer.read(drawer.job(), TIGHT, {"1-IN": "2.650 mm"})
        assert check(drawer).ahead.cases == 0

    def test_a_vehicle_that_was_never_here_goes_by_its_type(self, drawer):
        visit(drawer, drawer.vehicle("N 1"))
        answer = check(drawer, drawer.vehicle("N 2"))
        assert (answer.told.basis, answer.last_job, answer.ahead.cases) == ("type", None, 1)

    def test_a_vehicle_goes_by_how_it_was_left_and_how_others_changed(self, drawer):
        first, second = drawer.vehicle("N 1"), drawer.vehicle("N 2")
        visit(drawer, first)
        # Back with 1-IN, which was left at 8 thou with 2.575 mm, at 5 thou.
        visit(drawer, first, TIGHT, {}, days=200)
        visit(drawer, second, days=300)
        answer = check(drawer, second)
        assert answer.told.basis == "vehicle"
        assert "Job 3 on 27 December 2026" in " ".join(answer.say)
        assert (answer.ahead.cases, answer.ahead.rest_on) == (1, 1)
        (case,) = answer.cases.engines
        by_label = {valve.label: valve for valve in case}
        assert by_label["1-IN"].passes_nm == 5 * 25_400
        assert by_label["1-IN"].shim.thickness_nm == mm("2.575").nm
        assert [valve.label for valve in answer.left] == [valve.label for valve in case]
        assert answer.left[0].reading.passes_keyed == "8 thou"

    def test_the_scenario_of_a_real_engine_is_planned_as_its_job_was(self, drawer):
        drawer.stock(("2.500", USED, 1))
        job = drawer.read(drawer.job(), TIGHT, {"1-IN": "2.650 mm", "2-IN": "2.600 mm"})
        asked = problem_of(job).problem
        plan = plan_engine(asked)
        job = fit_job(job=drawer.held(job), actor=drawer.tech, at=AT)
        sign_off_job(job=drawer.read(job, AFTER), actor=drawer.tech, at=AT)
        (case,) = check(drawer).cases.engines
        assert case == asked.valves
        # From the stock that the job was planned with.
        (took,) = [choice for choice in plan.choices if choice.action == "stock"]
        drawer.stock((f"{took.thickness_nm / 1_000_000:.3f}", took.condition, 1))
        again = check(drawer)
        assert again.rows[0].size.size_nm == took.thickness_nm

    def test_somebody_else_had_the_cover_off(self, drawer):
        vehicle = drawer.vehicle("N 1")
        visit(drawer, vehicle)
        visit(drawer, vehicle, TIGHT, {"1-IN": "2.600 mm"}, days=200)
        # One visit after the other, but not of one engine that was left alone: no change is known.
        assert check(drawer, vehicle).told.basis == "type"

    def test_another_sites_past_is_not_looked_at(self, drawer, other_site):
        there = Workshop(site=other_site, tech=service_actor(), family=drawer.family, engine=drawer.engine)
        there.stock(("2.575", NEW, 8))
        visit(there, there.vehicle("N 1"))
        assert check(drawer).ahead.cases == 0

    def test_so_many_cases_at_most(self, drawer, settings):
        settings.COLDGAP = settings.COLDGAP | {"CHECK_CASES": 2}
        for number in range(3):
            visit(drawer, drawer.vehicle(f"N {number}"), days=number)
        assert check(drawer).ahead.cases == 2


class TestWhatThereIs:
    @pytest.fixture
    def wanted(self, workshop):
        """A past engine took the only 2.575 mm that there was."""
        took_the_last(workshop)
        return workshop

    def test_missing_and_to_be_ordered(self, wanted):
        answer = check(wanted)
        (row,) = answer.rows
        assert (row.size.state, row.size.bought, row.size.order) == ("missing", 1, 1)
        assert (answer.ahead.done, answer.ahead.with_order) == (0, 1)

    def test_what_is_held_is_not_available(self, wanted):
        wanted.stock((f"{check(wanted).rows[0].size.size_nm / 1_000_000:.3f}", NEW, 1))
        (row,) = check(wanted).rows
        assert (row.size.state, row.count.on_hand, row.count.held) == ("last", 1, 0)
        size = row.size.size_nm
        place = next(place for key, place in wanted.bins.items() if mm(key).nm == size)
        line = Wanted(
            place=place,
            family_id=wanted.family.pk,
            thickness_nm=size,
            condition=NEW,
            quantity=1,
            label="x",
        )
        hold_shims(site=wanted.site, actor=wanted.tech, at=AT, lines=[line], reference="somebody")
        (row,) = check(wanted).rows
        assert (row.size.state, row.count.on_hand, row.count.held) == ("missing", 1, 1)

    def test_what_comes_is_not_ordered_again(self, wanted, clerk):
        size = check(wanted).rows[0].size.size_nm
        add_needs(site=wanted.site, actor=clerk, at=AT, family=wanted.family, thickness_nm=size, quantity=2)
        (row,) = check(wanted).rows
        assert (row.coming.to_buy, row.coming.on_order, row.size.order) == (2, 0, 0)
        supplier = add_supplier(actor=service_actor(), code="near", name="Nearby Shims", lead_days=1)
        mark_bought(
            site=wanted.site,
            actor=clerk,
            at=AT,
            supplier=supplier,
            buys=[Buy(family=wanted.family, thickness_nm=size, quantity=2)],
        )
        answer = check(wanted)
        (row,) = answer.rows
        assert (row.coming.to_buy, row.coming.on_order, row.coming.for_jobs) == (0, 2, 0)
        assert (row.size.order, answer.ahead.with_order) == (0, 1)

    def test_other_sites_only_where_the_asker_may_hold(self, wanted, other_site, technician):
        there = Workshop(site=other_site, tech=service_actor(), family=wanted.family, engine=wanted.engine)
        size = f"{check(wanted).rows[0].size.size_nm / 1_000_000:.3f}"
        there.stock((size, NEW, 3))
        (row,) = check(wanted).rows
        assert (row.elsewhere, row.count.on_hand) == ((), 0)
        Membership.objects.create(user=technician, site=other_site, role=Role.TECHNICIAN)
        (row,) = check(wanted, actor=actor_for_user(technician)).rows
        assert row.elsewhere == ((other_site, 3),)
        assert (row.size.state, row.count.on_hand) == ("missing", 0)


def test_more_stock_raises_the_chance(workshop):
    workshop.stock(("2.575", NEW, 1))
    visit(workshop, workshop.vehicle("N 1"))
    visit(workshop, workshop.vehicle("N 2"), FINE)
    assert check(workshop).ahead.chance == Fraction(1, 2)
    workshop.stock(("2.575", NEW, 1))
    assert check(workshop).ahead.chance == 1


def test_the_number_of_questions_is_the_same_at_two_sizes(drawer):
    def questions(vehicle):
        with CaptureQueriesContext(connection) as caught:
            answer = check(drawer, vehicle)
        return len(caught), answer.ahead.cases

    one = drawer.vehicle("N 1")
    visit(drawer, one)
    visit(drawer, one, TIGHT, {}, days=100)
    before, cases = questions(one)
    assert cases == 1
    for number in range(2, 4):
        other = drawer.vehicle(f"N {number}")
        visit(drawer, other)
        visit(drawer, other, TIGHT, {}, days=100 + number)
        drawer.stock((f"2.{number}50", USED, 2))
    after, cases = questions(one)
    assert cases == 3
    assert before == after <= 16
