"""What the shop plan does, told as small shops that a person can work out: a few engines, a few valves.

Spec 0.15 to 0.20 mm, aim 0.18, next leaf 0.01 mm above, own shims 2.6 mm unless said otherwise. A valve that
reads 0.10 needs 2.50 to 2.55 mm, the aim 2.52.
"""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from jobs.compute.planner import Uncertainty
from jobs.compute.shopplan import (
    Aside,
    OpenJob,
    OrderedLot,
    Pin,
    ShopLot,
    ShopProblem,
    TrayShim,
    in_one_tray,
    plan_shop,
    verify,
)
from tests.compute.planner_cases import valve

MAY_3 = datetime(2031, 5, 3, 9, tzinfo=UTC)


def job(key, *valves, **more):
    return OpenJob(key=key, name=f"bay {key}", family="F", valves=valves, **more)


def shop(*jobs, stock=(), ordered=(), catalogue=(2_525_000,), aside=()):
    """Stock as (thickness, condition, quantity), ordered as (thickness, quantity, due)."""
    return ShopProblem(
        jobs=jobs,
        lots=tuple(
            ShopLot(family="F", thickness_nm=nm, condition=condition, quantity=quantity)
            for nm, condition, quantity in stock
        ),
        ordered=tuple(
            OrderedLot(family="F", thickness_nm=nm, quantity=quantity, due=due)
            for nm, quantity, due in ordered
        ),
        catalogue={"F": catalogue},
        aside=aside,
    )


def planned(problem):
    plan = plan_shop(problem)
    assert verify(problem, plan) == []
    assert plan.proof.unproven is None
    return plan


def choices(plan):
    return {(made.key, choice.label): choice for made in plan.jobs for choice in made.choices}


def tight(label, shim=2_600_000, **more):
    """Needs a shim about 0.08 mm thinner than its own."""
    return valve(label, passes=100_000, shim=shim, **more)


def loose(label, shim=2_600_000, **more):
    """Needs one about 0.1 mm thicker."""
    return valve(label, passes=280_000, shim=shim, **more)


class TestBetweenBays:
    def test_the_shim_that_one_bay_takes_out_is_the_one_that_another_needs(self):
        plan = planned(shop(job("2", loose("3-EX-R", shim=2_520_000)), job("5", tight("1-IN-L"))))
        got = choices(plan)
        # Bay 2 needs 2.60 to 2.65, which bay 5 takes out; bay 5 needs 2.50 to 2.55, which bay 2 takes out.
        assert (got["5", "1-IN-L"].action, got["5", "1-IN-L"].from_job) == ("swap", "2")
        assert (got["2", "3-EX-R"].action, got["2", "3-EX-R"].from_job) == ("swap", "5")
        assert [made.completed for made in plan.jobs] == [True, True]
        assert plan.score.stock_cost == 2
        assert [one.say for one in plan.hand_overs] == [
            "Take the 2.600 mm shim of 1-IN-L from bay 5 to bay 2 for 3-EX-R.",
            "Take the 2.520 mm shim of 3-EX-R from bay 2 to bay 5 for 1-IN-L.",
        ]

    def test_two_that_wait_for_each_other_must_both_be_on_the_bench(self):
        bays = (job("2", loose("3-EX-R", shim=2_520_000)), job("5", tight("1-IN-L"), on_bench=False))
        plan = planned(shop(*bays))
        got = choices(plan)
        # One of the two may still take from the other, which then gets another shim.
        assert sorted(made.completed for made in plan.jobs) == [False, True]
        assert len(plan.hand_overs) == 1
        assert {got["5", "1-IN-L"].action, got["2", "3-EX-R"].action} in (
            {"swap", "unresolved"},
            {"swap", "buy"},
        )

    @pytest.mark.parametrize("off", ["1", "2", "3"])
    def test_a_ring_of_three_must_all_be_on_the_bench(self, off):
        # 1 needs the 2.52 of 3, 2 needs the 2.58 of 1, 3 needs the 2.64 of 2; nothing else would do.
        bays = (
            job("1", tight("A", shim=2_580_000)),
            job("2", tight("B", shim=2_640_000)),
            job("3", loose("C", shim=2_520_000)),
        )
        assert [made.completed for made in planned(shop(*bays, catalogue=())).jobs] == [True, True, True]
        parted = planned(shop(*(replace(bay, on_bench=bay.key != off) for bay in bays), catalogue=()))
        assert len(parted.hand_overs) == 2
        assert parted.score.unresolved == 1

    def test_one_off_the_bench_may_give_or_take(self):
        bays = (job("1", tight("A"), on_bench=False), job("3", loose("C", shim=2_520_000)))
        plan = planned(shop(*bays, stock=[(2_640_000, "used", 1)], catalogue=()))
        assert [one.from_job for one in plan.hand_overs] == ["3"]
        plan = planned(shop(*bays, stock=[(2_500_000, "used", 1)], catalogue=()))
        assert all(made.completed for made in plan.jobs)
        assert [one.from_job for one in plan.hand_overs] == ["1"]

    def test_a_swap_inside_the_engine_goes_before_one_from_another(self):
        two = job("2", tight("A"), loose("B", shim=2_525_000))
        five = job("5", loose("C", shim=2_525_000))
        plan = planned(shop(two, five, stock=[(2_630_000, "used", 2)]))
        assert choices(plan)["2", "A"].from_job == "2"

    def test_shims_in_trays_count_as_moved_only_where_they_leave_their_job(self):
        lying = TrayShim(thickness_nm=2_520_000, known_by="measured")
        own = planned(shop(job("2", tight("A"), tray=(lying,))))
        assert choices(own)["2", "A"].action == "tray"
        assert own.score.stock_cost == 0
        other = planned(shop(job("2", tight("A")), job("5", valve("Z", passes=180_000), tray=(lying,))))
        assert choices(other)["2", "A"].from_job == "5"
        assert other.score.stock_cost == 1
        assert other.hand_overs[0].say == "Take the 2.520 mm shim in the tray of bay 5 to bay 2 for A."

    def test_new_and_used_ones_of_a_thickness_in_one_tray_count_as_the_less_sure(self):
        known = ("measured", "marked")
        lying = [TrayShim(thickness_nm=2_520_000, known_by=how, quantity=2) for how in known]
        tray = in_one_tray(lying, Uncertainty())
        assert tray == (TrayShim(thickness_nm=2_520_000, known_by="marked", quantity=4),)
        plan = planned(shop(job("2", tight("A"), tight("B"), tight("C"), tray=tray)))
        assert [choices(plan)["2", label].action for label in "ABC"] == ["tray"] * 3

    def test_nobody_waits_for_a_shim_that_lies_loose_in_a_tray(self):
        """Off the bench, 2 gives to 5 out of its valve and takes what lies in the tray of 5."""
        lying = TrayShim(thickness_nm=2_640_000, known_by="measured")
        two = job("2", loose("A", shim=2_520_000), on_bench=False)
        plan = planned(shop(two, job("5", tight("B"), tray=(lying,), on_bench=False), catalogue=()))
        got = choices(plan)
        assert (got["2", "A"].action, got["5", "B"].action) == ("tray", "swap")
        assert all(made.completed for made in plan.jobs)

    def test_shims_of_another_family_are_nothing_to_it(self):
        two, five = job("2", tight("A")), job("5", loose("B", shim=2_520_000))
        plan = planned(shop(two, replace(five, family="G")))
        assert plan.hand_overs == ()
        assert [made.completed for made in plan.jobs] == [False, False]


class TestWhoWaits:
    def test_the_heavier_job_gets_the_last_shim(self):
        bays = (job("1", tight("A"), weight=1), job("2", tight("B"), weight=3))
        plan = planned(shop(*bays, stock=[(2_520_000, "used", 1)]))
        assert [made.completed for made in plan.jobs] == [False, True]
        assert plan.score.waiting == 1
        assert plan.jobs[0].why == "Waits for 2.525 mm for A to be bought."
        assert plan.jobs[1].why == "Can be completed: all its shims are in the building."

    def test_two_light_ones_go_before_one_heavy_that_would_take_both_shims(self):
        heavy = job("1", tight("A"), tight("B"), weight=3)
        light = (job("2", tight("C"), weight=2), job("3", tight("D"), weight=2))
        plan = planned(shop(heavy, *light, stock=[(2_520_000, "used", 2)]))
        assert [made.completed for made in plan.jobs] == [False, True, True]

    def test_a_job_that_must_be_measured_first_waits_and_its_other_shims_go_to_who_can_leave(self):
        unknown = job("1", tight("A"), tight("B", shim=None), weight=9)
        plan = planned(shop(unknown, job("2", tight("C")), stock=[(2_520_000, "used", 1)]))
        assert [made.completed for made in plan.jobs] == [False, True]
        assert plan.to_measure == (("1", "B"),)
        assert plan.score.waiting == 9

    def test_an_engine_in_spec_can_be_completed_as_it_is(self):
        plan = planned(shop(job("1", valve("A", passes=180_000))))
        assert plan.jobs[0].completed
        assert plan.jobs[0].why == "Nothing is to be changed."
        assert plan.why[0] == "1 of 1 engine can be completed with what is in the building."

    def test_an_empty_shop_has_an_empty_plan(self):
        plan = planned(shop())
        assert plan.jobs == ()
        assert plan.score == (0,) * 8


class TestWhatIsOnOrder:
    def test_stock_before_order_before_buying(self):
        bays = tuple(job(key, tight(key)) for key in "123")
        plan = planned(shop(*bays, stock=[(2_550_000, "new", 1)], ordered=[(2_525_000, 1, MAY_3)]))
        actions = sorted(choice.action for choice in choices(plan).values())
        assert actions == ["buy", "order", "stock"]
        assert plan.score[:4] == (2, 0, 1, 1)

    def test_a_job_that_takes_it_waits_until_it_is_due(self):
        plan = planned(shop(job("1", tight("A")), ordered=[(2_525_000, 1, MAY_3)]))
        assert not plan.jobs[0].completed
        assert plan.jobs[0].ready == MAY_3
        assert plan.jobs[0].why == "Waits for 2.525 mm for A on order, due 2031-05-03."
        assert plan.score.bought == 0

    def test_what_is_due_first_is_taken_first(self):
        later = datetime(2031, 6, 1, tzinfo=UTC)
        plan = planned(
            shop(
                job("1", tight("A")),
                ordered=[(2_525_000, 1, None), (2_525_000, 1, later), (2_525_000, 1, MAY_3)],
            )
        )
        assert choices(plan)["1", "A"].from_lot == 2


class TestPins:
    def test_accepted_parts_stay_though_a_better_plan_is_possible(self):
        # Bay 1 has the last thin shim by its accepted plan; bay 2, which weighs more, does not get it.
        settled = Pin("A", "stock", 2_520_000, "used")
        plan = planned(shop(job("1", tight("A"), pins=(settled,)), job("2", tight("B"), weight=5)))
        assert [made.completed for made in plan.jobs] == [True, False]
        assert choices(plan)["1", "A"].pinned
        assert "as its accepted plan says" in choices(plan)["1", "A"].why

    def test_what_comes_out_of_a_settled_valve_is_free_for_others(self):
        settled = Pin("A", "stock", 2_520_000, "used")
        plan = planned(shop(job("1", tight("A"), pins=(settled,)), job("2", loose("B", shim=2_500_000))))
        assert choices(plan)["2", "B"].from_label == "A"

    def test_a_valve_whose_shim_is_promised_must_get_another(self):
        promised = Pin("A", "swap", 2_520_000, None, "2", "B")
        bays = (job("1", tight("A"), pins=(promised,)), job("2", valve("B", passes=180_000, shim=2_520_000)))
        plan = planned(shop(*bays, stock=[(2_530_000, "used", 1)]))
        assert choices(plan)["2", "B"].action == "stock"
        short = planned(shop(*bays, catalogue=()))
        assert choices(short)["2", "B"].action == "unresolved"
        assert "promised to A of bay 1" in choices(short)["2", "B"].why

    def test_a_valve_pinned_to_keep_gives_nothing(self):
        kept = job("2", valve("B", passes=180_000, shim=2_520_000), pins=(Pin("B", "keep", 2_520_000),))
        plan = planned(shop(job("1", tight("A")), kept, stock=[(2_530_000, "new", 1)]))
        assert choices(plan)["2", "B"].action == "keep"

    def test_a_job_that_has_bought_a_shim_waits_anyhow(self):
        bought = job("1", tight("A"), tight("C"), pins=(Pin("A", "buy", 2_525_000),))
        plan = planned(shop(bought, job("2", tight("B")), stock=[(2_520_000, "used", 1)]))
        assert [made.completed for made in plan.jobs] == [False, True]

    @pytest.mark.parametrize(
        ("pin", "says"),
        [
            (Pin("A", "swap", 1, None, "9", "B"), "there is no job 9"),
            (Pin("A", "stock", 1, "used", "2"), "does not go with stock"),
            (Pin("A", "swap", 2_520_000, None, "2", "Z"), "take the shim Z of 2 1 times"),
            (Pin("A", "tray", 2_520_000, None, "2"), "take the shim 2520000 of 2 1 times"),
        ],
    )
    def test_a_pin_that_cannot_be_is_refused(self, pin, says):
        with pytest.raises(ValueError, match=says):
            shop(job("1", tight("A"), pins=(pin,)), job("2", tight("B")))


class TestWhyNotTheNearerOne:
    def why_not(self, *args, **kwargs):
        return choices(planned(shop(*args, **kwargs)))["1", "A"].why_not

    def test_held(self):
        aside = (Aside(family="F", thickness_nm=2_520_000, because="held", by="job 12"),)
        said = self.why_not(job("1", tight("A")), stock=[(2_535_000, "used", 1)], aside=aside)
        assert said == "The nearer 2.520 mm shim is held by job 12."

    def test_not_measured(self):
        aside = (Aside(family="F", thickness_nm=2_520_000, because="unmeasured"),)
        said = self.why_not(job("1", tight("A")), stock=[(2_535_000, "used", 1)], aside=aside)
        assert said == "The nearer 2.520 mm shim has not been measured since it came out of an engine."

    def test_goes_to_another(self):
        # Only 2.52 would do for B, which has to have it guaranteed within 0.01.
        other = valve("B", passes=100_000, spec=(170_000, 190_000), stops=101_000)
        said = self.why_not(
            job("1", tight("A")), job("2", other), stock=[(2_520_000, "used", 1), (2_535_000, "used", 1)]
        )
        assert said == "The nearer 2.520 mm shim goes to B of bay 2."

    def test_stays_where_it_is(self):
        said = self.why_not(
            job("1", tight("A")),
            job("2", valve("B", passes=180_000, shim=2_520_000)),
            stock=[(2_535_000, "used", 1)],
        )
        assert said == "The nearer 2.520 mm shim stays in B of bay 2."

    def test_would_not_be_certain(self):
        # The leaf that stops is far away: only the thicker half of the window is guaranteed.
        wide = tight("A", stops=125_000, aim=195_000)
        said = self.why_not(job("1", wide), stock=[(2_535_000, "used", 1), (2_510_000, "used", 1)])
        assert said == "The nearer 2.510 mm shim would be guaranteed only to end between 0.182 and 0.223 mm."

    def test_would_have_to_be_bought(self):
        assert self.why_not(job("1", tight("A")), stock=[(2_535_000, "used", 1)]) == (
            "The nearer 2.525 mm shim would have to be bought."
        )

    def test_new_ones_later(self):
        said = self.why_not(
            job("1", tight("A")), stock=[(2_535_000, "used", 1), (2_520_000, "new", 1)], catalogue=()
        )
        assert said == "The nearer 2.520 mm shim is new, and a shim that has been used goes first."

    def test_nothing_where_nothing_is_nearer(self):
        assert self.why_not(job("1", tight("A")), stock=[(2_520_000, "used", 1)]) == ""


def held_for(key, problem):
    """The first lot is held for this job by hand."""
    return replace(problem, lots=(replace(problem.lots[0], only=key), *problem.lots[1:]))


def test_what_is_held_for_a_job_by_hand_is_for_no_other():
    first = job("1", valve("1-IN", passes=100_000), weight=9)
    second = job("2", valve("1-IN", passes=100_000))
    free = shop(first, second, stock=[(2_520_000, "used", 1)])
    assert choices(planned(free))["1", "1-IN"].action == "stock"
    plan = planned(held_for("2", free))
    assert choices(plan)["1", "1-IN"].action == "buy"
    assert choices(plan)["2", "1-IN"].action == "stock"
    assert choices(plan)["1", "1-IN"].why_not == "The nearer 2.520 mm shim is held for bay 2."
    assert any("held for another job" in wrong for wrong in verify(held_for("2", free), planned(free)))


def test_it_is_taken_before_what_any_job_may_take():
    one = job("1", valve("1-IN", passes=100_000))
    for stock in ([(2_520_000, "used", 1), (2_520_000, "used", 3)],):
        assert choices(planned(held_for("1", shop(one, stock=stock))))["1", "1-IN"].from_lot == 0
        turned = shop(one, stock=stock[::-1])
        turned = replace(turned, lots=(turned.lots[0], replace(turned.lots[1], only="1")))
        assert choices(planned(turned))["1", "1-IN"].from_lot == 1
