from datetime import timedelta

import pytest

from inventory.models import Balance, PlaceKind
from inventory.services.fitting import OneShim
from inventory.services.handing_over import hold_in_tray
from inventory.services.holds import Wanted, hold_shims
from jobs.compute.planner import plan_engine, verify
from jobs.models import Job, JobValve, Plan
from jobs.selectors.problem import problem_of
from jobs.services.fitting import fit_job
from jobs.services.planning import accept_plan, plan_job, release_plan
from jobs.services.readings import set_adjust
from shop.actor import service_actor
from shop.conf import conf
from shop.errors import Conflict, NotEnough, NotFound
from tests.jobs.shop import AT, NEW, USED, make_engine

OUT = {"1-IN": "5 thou", "1-EX": "12 thou", "2-IN": "8 thou", "2-EX": "12 thou"}


def lines(plan) -> dict[str, str]:
    return {line.label: line.action for line in plan.lines.all()}


def test_a_plan_says_of_every_valve_what_to_do_and_why(workshop, tech):
    workshop.stock(("2.575", USED, 1), ("2.600", NEW, 1))
    job = workshop.read(workshop.job(), OUT, {"1-IN": "2.650 mm", "1-EX": "2.700 mm"})
    plan = plan_job(job=job, actor=tech, at=AT)
    job.refresh_from_db()
    assert (job.state, plan.state, plan.number, plan.round) == (Job.State.PLANNED, Plan.State.PROPOSED, 1, 0)
    assert (plan.unresolved, plan.bought, plan.opened, plan.stock_cost) == (0, 0, 1, 1)
    line = plan.lines.get(label="1-IN")
    assert (line.verdict, line.action, line.thickness_nm, line.condition) == (
        "tight",
        "stock",
        2_575_000,
        "used",
    )
    assert (line.from_place.code, line.own_nm, line.left_over) == ("B01", 2_650_000, True)
    # 5 thou passes, 75 um thinner: 0.127 + 0.075, less and more by the two micrometers' 0.004 each.
    assert (line.low_nm, line.called_nm, line.high_nm) == (194_000, 202_000, 235_400)
    assert line.guaranteed is True
    assert "2.575 mm" in line.why
    assert plan.deviation_nm == abs(202_000 - 213_360)
    assert lines(plan) == {"1-IN": "stock", "1-EX": "keep", "2-IN": "keep", "2-EX": "keep"}
    assert [line.order for line in plan.lines.all()] == [0, 1, 2, 3]
    assert job.events.last().text == "Plan 1: 1 to open."


def test_the_stored_plan_is_the_planners_and_passes_its_check(workshop, tech):
    workshop.stock(("2.575", USED, 1), ("2.725", NEW, 2))
    job = workshop.read(
        workshop.job(),
        {**OUT, "2-EX": "16 thou"},
        {"1-IN": "2.650 mm", "2-EX": "2.650 mm", "2-IN": "2.725 mm"},
    )
    problem = problem_of(job).problem
    plan = plan_job(job=job, actor=tech, at=AT)
    best = plan_engine(problem)
    assert verify(problem, best) == []
    assert best.score == tuple(getattr(plan, name) for name in best.score._fields)
    assert [(c.label, c.action, c.thickness_nm, c.why) for c in best.choices] == list(
        plan.lines.order_by("order").values_list("label", "action", "thickness_nm", "why")
    )


def test_the_same_job_over_the_same_stock_gets_the_same_plan_from_the_same_bins(workshop, tech):
    workshop.stock(("2.575", NEW, 1), ("2.600", NEW, 2))
    spare = workshop.bin("spare")
    shims = {"1-IN": "2.650 mm", "2-IN": "2.650 mm"}
    job = workshop.read(workshop.job(), {**OUT, "2-IN": "5 thou"}, shims)
    plans = [plan_job(job=job, actor=tech, at=AT) for _ in range(2)]
    first, second = (
        list(plan.lines.values_list("label", "action", "thickness_nm", "from_place__code", "why"))
        for plan in plans
    )
    assert first == second
    assert spare.code not in {row[3] for row in first}


def test_a_lot_in_several_bins_is_taken_from_the_first_bin_first(workshop, tech, service):
    workshop.stock(("2.575", NEW, 1))
    second = workshop.bin("second")
    workshop.bins["2.575"], workshop.bins["first"] = second, workshop.bins["2.575"]
    workshop.stock(("2.575", NEW, 5))
    job = workshop.read(workshop.job(), {**OUT, "2-IN": "5 thou"}, {"1-IN": "2.650 mm", "2-IN": "2.650 mm"})
    plan = plan_job(job=job, actor=tech, at=AT)
    taken = sorted(plan.lines.filter(action="stock").values_list("from_place__code", flat=True))
    assert taken == ["B01", "B02"]


def test_a_newer_plan_puts_the_earlier_one_aside(workshop, tech):
    job = workshop.read(workshop.job(), OUT, {"1-IN": "2.650 mm"})
    first = plan_job(job=job, actor=tech, at=AT)
    second = plan_job(job=job, actor=tech, at=AT)
    first.refresh_from_db()
    assert (first.state, first.stale_because) == (Plan.State.STALE, "A newer plan was made.")
    assert (second.number, second.state) == (2, Plan.State.PROPOSED)


def test_what_others_hold_is_not_planned_with_until_their_time_is_over(workshop, tech):
    workshop.stock(("2.575", USED, 1))
    hold_shims(
        site=workshop.site,
        actor=tech,
        at=AT,
        lines=[
            Wanted(
                place=workshop.bins["2.575"],
                family_id=workshop.family.pk,
                thickness_nm=2_575_000,
                condition=USED,
                quantity=1,
            )
        ],
        reference="calculator 7",
        expires_in=timedelta(hours=1),
    )
    job = workshop.read(workshop.job(), OUT, {"1-IN": "2.650 mm"})
    assert lines(plan_job(job=job, actor=tech, at=AT))["1-IN"] == "buy"
    assert lines(plan_job(job=job, actor=tech, at=AT + timedelta(hours=1)))["1-IN"] == "stock"


def test_valves_that_were_not_read_are_named(workshop, tech):
    job = workshop.read(workshop.job(), {"1-IN": "8 thou", "2-EX": "12 thou"})
    with pytest.raises(Conflict, match="Not read: 1-EX, 2-IN") as refusal:
        plan_job(job=job, actor=tech, at=AT)
    assert refusal.value.code == "readings-missing"
    assert [error.pointer for error in refusal.value.errors] == ["/readings/1-EX", "/readings/2-IN"]
    job.refresh_from_db()
    assert (job.state, Plan.objects.count()) == (Job.State.OPEN, 0)


def test_a_valve_that_is_never_opened_need_not_be_read(workshop, tech):
    job = workshop.read(workshop.job(), {"1-IN": "8 thou", "2-EX": "12 thou", "2-IN": "8 thou"})
    set_adjust(job=job, actor=tech, at=AT, adjust={"1-EX": "never"})
    plan = plan_job(job=job, actor=tech, at=AT)
    line = plan.lines.get(label="1-EX")
    assert (line.action, line.verdict, line.called_nm, line.guaranteed) == ("keep", "", None, None)
    assert [line.label for line in plan.lines.all()] == ["1-IN", "1-EX", "2-IN", "2-EX"]


def test_a_valve_out_of_spec_with_an_unknown_shim_is_to_be_measured(workshop, tech):
    plan = plan_job(job=workshop.read(workshop.job(), OUT), actor=tech, at=AT)
    assert lines(plan)["1-IN"] == "measure"
    assert (plan.unresolved, plan.opened) == (0, 0)


def test_the_lash_ratio_of_the_job_counts(workshop, tech):
    # With a ratio of 2 the 75 um that a direct engine needs would be twice too much.
    engine = make_engine(workshop.family, "rocker-4", lash_ratio="2")
    job = workshop.job(workshop.vehicle("N 9", engine))
    workshop.stock(("2.575", USED, 1), ("2.600", USED, 1))
    plan = plan_job(job=workshop.read(job, OUT, {"1-IN": "2.650 mm"}), actor=tech, at=AT)
    line = plan.lines.get(label="1-IN")
    assert (line.thickness_nm, line.called_nm) == (2_600_000, 127_000 + 2 * 50_000)


def test_the_uncertainties_come_from_the_settings(workshop, tech, settings):
    workshop.stock(("2.575", USED, 1))
    job = workshop.read(workshop.job(), OUT, {"1-IN": "2.650 mm"})
    settings.COLDGAP = {**settings.COLDGAP, "MICROMETER_UNCERTAINTY": "0.030 mm"}
    line = plan_job(job=job, actor=tech, at=AT).lines.get(label="1-IN")
    assert conf.micrometer_uncertainty == "0.030 mm"
    assert (line.low_nm, line.high_nm) == (202_000 - 60_000, 227_400 + 60_000)


def test_after_a_fit_a_plan_wants_the_readings_after(workshop, tech):
    workshop.stock(("2.575", USED, 1), ("2.525", USED, 1))
    job = workshop.read(workshop.job(), OUT, {"1-IN": "2.650 mm"})
    job = fit_job(job=workshop.held(job), actor=tech, at=AT)
    with pytest.raises(Conflict, match="Not read since the last fit: 1-IN"):
        plan_job(job=job, actor=tech, at=AT)
    # It did not come out: 5 thou again, so the valve seat was dirty.
    plan = plan_job(job=workshop.read(job, {"1-IN": "5 thou"}), actor=tech, at=AT)
    job.refresh_from_db()
    line = plan.lines.get(label="1-IN")
    assert (job.state, plan.round) == (Job.State.PLANNED, 1)
    assert (line.own_nm, line.action, line.thickness_nm) == (2_575_000, "stock", 2_525_000)


def test_everybody_at_the_site_may_plan_and_nobody_else(workshop, clerk, stranger):
    job = workshop.read(workshop.job(), OUT)
    assert plan_job(job=job, actor=clerk, at=AT).created_by == "Tobi Lund"
    with pytest.raises(NotFound):
        plan_job(job=job, actor=stranger, at=AT)
    assert Plan.objects.count() == 1


def test_always_is_opened_although_in_spec(workshop, tech):
    job = workshop.read(workshop.job(), {**OUT, "1-IN": "8 thou"}, {"1-IN": "2.650 mm"})
    JobValve.objects.filter(label="1-IN").update(adjust="always")
    assert lines(plan_job(job=job, actor=service_actor(), at=AT))["1-IN"] == "buy"


class TestTheJobsOwnTray:
    """What an earlier fit left in the tray of the job is at hand for its next one."""

    @pytest.fixture
    def loose(self, workshop, tech):
        """1-IN got the only 2.575 mm and is loose with it; the 2.650 mm that came out would do."""
        workshop.stock(("2.575", NEW, 1))
        job = workshop.held(workshop.read(workshop.job(), OUT, {"1-IN": "2.650 mm"}))
        return workshop.read(fit_job(job=job, actor=tech, at=AT), {"1-IN": "11 thou"})

    @pytest.fixture
    def promise_to_another(self, workshop, tech):
        def act(job):
            hold_in_tray(
                site=workshop.site,
                actor=tech,
                at=AT,
                tray=job.tray,
                shim=OneShim(family_id=workshop.family.pk, thickness_nm=2_650_000, condition=USED),
                job_id=workshop.job().pk,
                reference="another",
                label="1-IN",
            )

        return act

    def test_what_came_out_goes_before_buying(self, loose, tech):
        plan = plan_job(job=loose, actor=tech, at=AT)
        line = plan.lines.get(label="1-IN")
        assert (line.action, line.thickness_nm, line.condition) == ("tray", 2_650_000, "used")
        assert (plan.bought, plan.stock_cost, line.from_job) == (0, 1, None)

    def test_it_is_held_there_and_fitted_from_there(self, loose, workshop, tech):
        plan = accept_plan(plan=plan_job(job=loose, actor=tech, at=AT), actor=tech, at=AT)
        loose.refresh_from_db()
        assert (loose.state, plan.hold) == (Job.State.HELD, None)
        (balance,) = loose.tray.balances.filter(on_hand__gt=0)
        assert (balance.thickness_nm, balance.held) == (2_650_000, 1)
        job = fit_job(job=loose, actor=tech, at=AT)
        assert job.valves.get(label="1-IN").shim_nm == 2_650_000
        left = job.tray.balances.filter(on_hand__gt=0)
        assert [(each.thickness_nm, each.held) for each in left] == [(2_575_000, 0)]

    def test_released_it_lies_there_no_longer(self, loose, tech):
        accept_plan(plan=plan_job(job=loose, actor=tech, at=AT), actor=tech, at=AT)
        release_plan(job=loose, actor=tech, at=AT)
        assert not Balance.objects.filter(place__kind=PlaceKind.TRAY, held__gt=0).exists()

    def test_what_is_held_there_for_another_job_is_not_taken(self, loose, promise_to_another, tech):
        promise_to_another(loose)
        plan = plan_job(job=loose, actor=tech, at=AT)
        assert plan.lines.get(label="1-IN").action == "buy"

    def test_it_is_gone_meanwhile(self, loose, promise_to_another, tech):
        plan = plan_job(job=loose, actor=tech, at=AT)
        promise_to_another(loose)
        with pytest.raises(NotEnough):
            accept_plan(plan=plan, actor=tech, at=AT)
        plan.refresh_from_db()
        assert plan.state == Plan.State.STALE

    def test_another_jobs_tray_is_not_looked_into(self, loose, workshop, tech):
        other = workshop.read(workshop.job(), {**OUT, "1-IN": "11 thou"}, {"1-IN": "2.575 mm"})
        assert plan_job(job=other, actor=tech, at=AT).lines.get(label="1-IN").action == "buy"
