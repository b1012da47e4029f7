"""`verify` finds planted faults: every field of good shop plans is bent in turn, and every bend is named."""

from collections import Counter
from dataclasses import fields, replace

import pytest

from jobs.compute.shopplan import (
    HandOver,
    OpenJob,
    Pick,
    Pin,
    Proof,
    Purchase,
    ShopChoice,
    ShopLot,
    ShopProblem,
    ShopScore,
    SpareShim,
    verify,
)
from jobs.compute.shopplan.records import shop_records
from tests.compute.planner_cases import valve
from tests.compute.shopplan_cases import planned

SEEDS = range(30)
VERDICTS = ("in_spec", "at_limit", "tight", "loose")
ACTIONS = ("keep", "swap", "tray", "stock", "order", "buy", "unresolved", "measure")


def other_values(shop, field, right):
    """Wrong values for a field of a choice whose right value is `right`."""
    match field:
        case "label":
            return ["", f"{right}x"]
        case "verdict":
            return [verdict for verdict in VERDICTS if verdict != right]
        case "action":
            return [action for action in (*ACTIONS, "") if action != right]
        case "condition":
            return [condition for condition in ("new", "used", None) if condition != right]
        case "from_job":
            return [key for key in (None, "nobody", *(job.key for job in shop.jobs)) if key != right]
        case "from_label":
            return [None, "nowhere"] if right is not None else ["nowhere"]
        case "from_lot":
            return [lot for lot in (None, -1, len(shop.lots) + len(shop.ordered)) if lot != right]
        case "guaranteed":
            return [guaranteed for guaranteed in (True, False, None) if guaranteed is not right]
        case "pinned":
            return [not right]
        case "why":
            return ["", "Because.", right.lower(), right[:-1], f"{right} Then again."]
        case "why_not":
            return ["because.", "Because", "So. And so."]
        case _:
            return [0, None, 2_600_001] if right is None else [right + 1, right - 1, -right - 1, None]


@pytest.mark.parametrize("field", [field.name for field in fields(ShopChoice)])
def test_every_bent_field_of_a_choice_is_named(field):
    bends = 0
    for seed in SEEDS:
        shop, plan = planned(seed)
        for at, made in enumerate(plan.jobs):
            for place, choice in enumerate(made.choices):
                right = getattr(choice, field)
                for wrong in other_values(shop, field, right):
                    if wrong == right:
                        continue
                    bent = replace(choice, **{field: wrong})
                    choices = (*made.choices[:place], bent, *made.choices[place + 1 :])
                    jobs = (*plan.jobs[:at], replace(made, choices=choices), *plan.jobs[at + 1 :])
                    assert verify(shop, replace(plan, jobs=jobs)), f"random_shop({seed}): {bent}"
                    bends += 1
    assert bends > 300


@pytest.mark.parametrize("figure", ShopScore._fields)
def test_every_bent_figure_is_named(figure):
    for shop, plan in map(planned, SEEDS):
        for more in (1, -1):
            bent = plan.score._replace(**{figure: getattr(plan.score, figure) + more})
            assert verify(shop, replace(plan, score=bent))
            made = plan.jobs[0]
            bent = made.score._replace(**{figure: getattr(made.score, figure) + more})
            assert verify(shop, replace(plan, jobs=(replace(made, score=bent), *plan.jobs[1:])))


def bent_plans(plan):
    """One thing wrong about the plan as a whole."""
    yield (
        "completed",
        replace(plan, jobs=(replace(plan.jobs[0], completed=not plan.jobs[0].completed), *plan.jobs[1:])),
    )
    yield "order of jobs", replace(plan, jobs=plan.jobs[::-1])
    yield "a job less", replace(plan, jobs=plan.jobs[1:])
    yield (
        "a valve less",
        replace(plan, jobs=(replace(plan.jobs[0], choices=plan.jobs[0].choices[1:]), *plan.jobs[1:])),
    )
    yield (
        "a hand-over more",
        replace(plan, hand_overs=(*plan.hand_overs, HandOver("J0", "V0", "J1", "V0", 1, "Take it."))),
    )
    yield "a spare shim more", replace(plan, left_over=(*plan.left_over, SpareShim("J0", "V0", 1)))
    yield "a purchase more", replace(plan, to_buy=(*plan.to_buy, Purchase("F0", 1, 1)))
    yield "a valve to measure more", replace(plan, to_measure=(*plan.to_measure, ("J0", "V0")))
    yield "a rank that is none", replace(plan, proof=Proof("luck", 0, 0))
    yield "another value", replace(plan, proof=Proof("opened", plan.score.opened + 1, 0))
    yield "a bound above", replace(plan, proof=Proof("opened", plan.score.opened, plan.score.opened + 1))
    yield (
        "the job's sentence",
        replace(
            plan,
            jobs=(replace(plan.jobs[0], why="Waits." if plan.jobs[0].completed else "Go."), *plan.jobs[1:]),
        ),
    )
    for name in ("hand_overs", "left_over", "to_buy", "to_measure"):
        if getattr(plan, name):
            yield f"one of {name} less", replace(plan, **{name: getattr(plan, name)[1:]})
    if plan.hand_overs:
        yield (
            "the instruction",
            replace(
                plan, hand_overs=(plan.hand_overs[0]._replace(say="Carry it over."), *plan.hand_overs[1:])
            ),
        )


def test_what_is_wrong_about_the_whole_is_named():
    seen: Counter[str] = Counter()
    for seed in SEEDS:
        shop, plan = planned(seed)
        assert verify(shop, plan) == []
        for what, bent in bent_plans(plan):
            assert verify(shop, bent), f"random_shop({seed}): {what}"
            seen[what] += 1
    assert len(seen) == 17
    assert min(seen.values()) >= 5


class TestRulesOfTheShop:
    """Plans whose figures are all right but that break a rule."""

    def faults(self, shop, *picks):
        return verify(shop, shop_records(shop, picks, Proof()))

    def shop(self, *jobs, lots=(), **more):
        return ShopProblem(jobs=jobs, lots=lots, catalogue={"F": (2_525_000,)}, **more)

    def bay(self, key, *valves, **more):
        return OpenJob(key=key, family="F", valves=valves, **more)

    def test_a_lot_emptied_twice(self):
        lot = ShopLot(family="F", thickness_nm=2_520_000, condition="used", quantity=1)
        shop = self.shop(*(self.bay(key, valve("A", passes=100_000)) for key in "12"), lots=(lot,))
        picks = [Pick(key, "A", "stock", 2_520_000, from_lot=0) for key in "12"]
        assert self.faults(shop, picks[0]) == []
        assert self.faults(shop, *picks) == ["stock lot 0 holds 1, but 2 are taken"]

    def test_one_shim_given_to_two_engines(self):
        shop = self.shop(
            *(self.bay(key, valve("A", passes=100_000)) for key in "12"),
            self.bay("3", valve("A", passes=280_000, shim=2_520_000)),
        )
        picks = [Pick(key, "A", "swap", 2_520_000, "3", "A") for key in "12"]
        assert self.faults(shop, *picks) == ["the shim out of A of 3 is given 2 times"]

    def test_a_shim_of_another_family(self):
        lot = ShopLot(family="G", thickness_nm=2_520_000, condition="used", quantity=1)
        shop = self.shop(self.bay("1", valve("A", passes=100_000)), lots=(lot,))
        assert self.faults(shop, Pick("1", "A", "stock", 2_520_000, from_lot=0)) == [
            "1 A: lot 0 is of another family or held for another job"
        ]

    def test_a_ring_off_the_bench(self):
        bays = (
            self.bay("1", valve("A", passes=100_000)),
            self.bay("2", valve("A", passes=280_000, shim=2_520_000), on_bench=False),
        )
        picks = (Pick("1", "A", "swap", 2_520_000, "2", "A"), Pick("2", "A", "swap", 2_600_000, "1", "A"))
        assert self.faults(self.shop(*bays), *picks) == [
            "2 is not on the bench, but waits for an engine that waits for it in turn"
        ]
        on_bench = self.shop(bays[0], replace(bays[1], on_bench=True))
        assert self.faults(on_bench, *picks) == []

    def test_opened_for_nothing(self):
        lot = ShopLot(family="F", thickness_nm=2_600_000, condition="used", quantity=1)
        shop = self.shop(self.bay("1", valve("A", passes=180_000)), lots=(lot,))
        assert self.faults(shop, Pick("1", "A", "stock", 2_600_000, from_lot=0)) == [
            "1 A: opened though in spec and nobody takes its shim"
        ]

    def test_an_accepted_part_that_was_moved(self):
        lot = ShopLot(family="F", thickness_nm=2_530_000, condition="used", quantity=1)
        pin = Pin("A", "stock", 2_520_000, "used")
        shop = self.shop(self.bay("1", valve("A", passes=100_000), pins=(pin,)), lots=(lot,))
        free = self.shop(self.bay("1", valve("A", passes=100_000)), lots=(lot,))
        moved = shop_records(free, [Pick("1", "A", "stock", 2_530_000, from_lot=0)], Proof())
        assert "1 A: its accepted part was moved: the shim is another" in verify(shop, moved)

    def test_outside_the_window(self):
        lot = ShopLot(family="F", thickness_nm=2_600_000, condition="used", quantity=1)
        shop = self.shop(self.bay("1", valve("A", passes=100_000)), lots=(lot,))
        assert self.faults(shop, Pick("1", "A", "stock", 2_600_000, from_lot=0)) == [
            "1 A: 2600000 nm is outside the called window: 100000 nm would be called"
        ]
