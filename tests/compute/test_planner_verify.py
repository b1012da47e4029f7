"""`verify` finds planted faults: every field of good plans is bent in turn, and every bend is named."""

from collections import Counter
from dataclasses import replace
from functools import cache
from importlib import import_module

import pytest

from jobs.compute.planner import Choice, Lot, Plan, Score, ToBuy, plan_engine, verify
from tests.compute.planner_cases import problem, random_engine, valve

SEEDS = range(30)


@cache
def planned(seed):
    engine = random_engine(seed, valves=(2, 10))
    return engine, plan_engine(engine)


VERDICTS = ("in_spec", "at_limit", "tight", "loose")
ACTIONS = ("keep", "swap", "stock", "buy", "unresolved", "measure")


def other_values(engine, field, right):
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
        case "from_valve":
            return [label for label in (None, "nowhere", *(v.label for v in engine.valves)) if label != right]
        case "from_lot":
            lots = [None, -1, len(engine.lots)]
            alike = engine.lots[right] if right is not None else None
            lots += [
                index
                for index, lot in enumerate(engine.lots)
                if alike is None or (lot.thickness_nm, lot.condition) != (alike.thickness_nm, alike.condition)
            ]
            return [lot for lot in lots if lot != right]
        case "guaranteed":
            return [guaranteed for guaranteed in (True, False, None) if guaranteed is not right]
        case "why":
            return [
                "",
                "Because.",
                right.lower(),
                right[:-1],
                f"{right} Then again.",
                right.replace(". ", "")[:9],
            ]
        case _:
            return [0, None, 2_600_001] if right is None else [right + 1, right - 1, -right - 1, None]


def bent_choices(engine, choice):
    for field in Choice._fields:
        for wrong in other_values(engine, field, getattr(choice, field)):
            if wrong != getattr(choice, field):
                yield field, choice._replace(**{field: wrong})


@pytest.mark.parametrize("field", Choice._fields)
def test_every_bent_field_of_a_choice_is_named(field):
    bends = 0
    for seed in SEEDS:
        engine, plan = planned(seed)
        for place, choice in enumerate(plan.choices):
            for bent_field, bent in bent_choices(engine, choice):
                if bent_field != field:
                    continue
                choices = (*plan.choices[:place], bent, *plan.choices[place + 1 :])
                assert verify(engine, replace(plan, choices=choices)), f"random_engine({seed}): {bent}"
                bends += 1
    assert bends > 300


@pytest.mark.parametrize("field", Score._fields)
def test_every_bent_figure_of_the_score_is_named(field):
    for seed in SEEDS:
        engine, plan = planned(seed)
        for wrong in (getattr(plan.score, field) + 1, getattr(plan.score, field) - 1):
            bent = replace(plan, score=plan.score._replace(**{field: wrong}))
            assert any(field in fault for fault in verify(engine, bent)), f"random_engine({seed})"


@pytest.mark.parametrize("field", ["left_over", "to_buy", "to_measure"])
def test_every_bent_list_is_named(field):
    seen = Counter()
    for seed in SEEDS:
        engine, plan = planned(seed)
        right = getattr(plan, field)
        extra = {"left_over": (2_600_000, "V0"), "to_buy": ToBuy(2_600_000, 1), "to_measure": "V0"}[field]
        wrongs = [(*right, extra), right[1:], right[::-1], tuple(entry[:1] for entry in right)]
        if field == "to_buy":
            wrongs.append(tuple(entry._replace(quantity=entry.quantity + 1) for entry in right))
        for number, wrong in enumerate(wrongs):
            if wrong != right:
                assert verify(engine, replace(plan, **{field: wrong})), f"random_engine({seed}): {wrong}"
                seen[number] += 1
    assert min(seen.values()) >= 3
    assert len(seen) >= 4 if field != "to_measure" else 3


def test_choices_missing_repeated_or_out_of_order_are_named():
    engine = random_engine(7)
    plan = plan_engine(engine)
    for choices in (plan.choices[1:], plan.choices[::-1], (*plan.choices, plan.choices[0]), ()):
        assert verify(engine, replace(plan, choices=choices)) == [
            "the choices do not stand one per valve in the order of the problem"
        ]


TIGHT_AND_LOOSE = problem(
    valve("A", passes=100_000, shim=2_720_000),
    valve("B", passes=230_000, shim=2_620_000),
    lots=[(2_650_000, "used", 1)],
    catalogue=[2_625_000],
)


def test_a_plan_for_one_engine_is_no_plan_for_a_changed_one():
    """The same plan, consistent in itself, against an engine that changed under it."""
    plan = plan_engine(TIGHT_AND_LOOSE)
    assert [choice.action for choice in plan.choices] == ["swap", "stock"]
    assert verify(TIGHT_AND_LOOSE, plan) == []
    first, second = TIGHT_AND_LOOSE.valves
    for changed in (
        replace(TIGHT_AND_LOOSE, lots=()),
        replace(TIGHT_AND_LOOSE, lots=(Lot(thickness_nm=2_650_000, condition="new", quantity=1),)),
        replace(TIGHT_AND_LOOSE, lots=(Lot(thickness_nm=2_655_000, condition="used", quantity=1),)),
        replace(TIGHT_AND_LOOSE, valves=(replace(first, passes_nm=90_000), second)),
        replace(TIGHT_AND_LOOSE, valves=(replace(first, passes_nm=0), second)),
        replace(TIGHT_AND_LOOSE, valves=(replace(first, stops_nm=150_000), second)),
        replace(TIGHT_AND_LOOSE, valves=(replace(first, aim_nm=170_000), second)),
        replace(TIGHT_AND_LOOSE, valves=(replace(first, adjust="never"), second)),
        replace(TIGHT_AND_LOOSE, valves=(replace(first, shim=None), second)),
        replace(TIGHT_AND_LOOSE, valves=(first, replace(second, adjust="never"))),
        replace(TIGHT_AND_LOOSE, valves=(first, replace(second, shim=None))),
        replace(TIGHT_AND_LOOSE, valves=(first, replace(second, passes_nm=220_000))),
        replace(TIGHT_AND_LOOSE, valves=(first, replace(second, max_nm=290_000))),
        replace(TIGHT_AND_LOOSE, lash_ratio=TIGHT_AND_LOOSE.lash_ratio * 2),
        replace(
            TIGHT_AND_LOOSE,
            uncertainty=replace(TIGHT_AND_LOOSE.uncertainty, micrometer_nm=3_999, unworn_nm=0),
        ),
    ):
        assert verify(changed, plan), changed


def twin_plan(lot_quantity, choice_of_b):
    """A plan for two equal tight valves in which B's choice is put in, with totals that fit it."""
    engine = problem(
        valve("A", passes=100_000, shim=2_700_000),
        valve("B", passes=100_000, shim=2_700_000),
        valve("C", passes=230_000, shim=2_625_000),
        lots=[(2_625_000, "used", lot_quantity)],
    )
    good = plan_engine(replace(engine, lots=(Lot(thickness_nm=2_625_000, condition="used", quantity=9),)))
    choices = tuple(choice_of_b(good) if choice.label == "B" else choice for choice in good.choices)
    score = Score(
        unresolved=sum(choice.action == "unresolved" for choice in choices),
        bought=0,
        not_guaranteed=sum(choice.guaranteed is False for choice in choices),
        opened=3,
        stock_cost=sum(choice.action == "stock" for choice in choices),
        deviation_nm=sum(
            abs(choice.called_nm - 180_000) for choice in choices if choice.called_nm is not None
        ),
    )
    given = {choice.from_valve for choice in choices}
    left_over = tuple(
        (v.shim.thickness_nm, v.label) for v in engine.valves if v.shim and v.label not in given
    )
    return engine, Plan(score=score, choices=choices, left_over=left_over, to_buy=(), to_measure=())


def test_a_shim_used_twice_is_named_though_every_total_fits():
    engine, plan = twin_plan(1, lambda good: good.choices[0]._replace(label="B"))
    assert plan.choices[0].action == "swap"
    assert verify(engine, plan) == ["the shim out of C is given 2 times"]


def test_a_lot_emptied_twice_is_named_though_every_total_fits():
    engine, plan = twin_plan(9, lambda good: good.choices[1])
    assert plan.choices[1].action == "stock"
    assert verify(engine, plan) == []
    in_stock = plan.choices[1]._replace(label="A")
    drained = replace(engine, lots=(Lot(thickness_nm=2_625_000, condition="used", quantity=1),))
    both = replace(
        plan,
        choices=(in_stock, *plan.choices[1:]),
        left_over=((2_700_000, "A"), (2_700_000, "B"), (2_625_000, "C")),
        score=plan.score._replace(stock_cost=2),
    )
    assert "lot 0 holds 1, but 2 are taken" in verify(drained, both)


def test_a_shim_outside_the_window_is_named_though_every_figure_follows_from_it():
    engine = problem(valve("A", passes=120_000), lots=[(2_519_000, "used", 1)])
    wider = replace(engine, valves=(replace(engine.valves[0], max_nm=300_000),))
    plan = plan_engine(wider)
    assert (plan.choices[0].action, plan.choices[0].called_nm) == ("stock", 201_000)
    unsure = plan.choices[0]._replace(guaranteed=False)
    bent = replace(plan, choices=(unsure,), score=plan.score._replace(not_guaranteed=1))
    assert verify(engine, bent) == ["A: 2519000 nm is outside the called window: 201000 nm would be called"]


def test_a_shim_handed_on_by_a_valve_that_keeps_it_is_named():
    engine = problem(
        valve("A", passes=100_000, shim=2_700_000),
        valve("B", passes=180_000, shim=2_625_000),
        lots=[(2_625_000, "used", 1)],
    )
    plan = plan_engine(engine)
    assert [choice.action for choice in plan.choices] == ["stock", "keep"]
    first = plan.choices[0]._replace(
        action="swap",
        from_valve="B",
        from_lot=None,
        condition=None,
        why=plan.choices[0].why.replace("from stock", "out of B"),
    )
    bent = replace(plan, choices=(first, plan.choices[1]), score=plan.score._replace(stock_cost=0))
    assert verify(engine, bent) == ["the shim of B is handed on though the valve keeps it"]


def test_a_valve_in_spec_opened_for_nobody_is_named():
    engine = problem(valve("A", passes=180_000), lots=[(2_600_000, "used", 1)])
    always = replace(engine, valves=(replace(engine.valves[0], adjust="always"),))
    faults = verify(engine, plan_engine(always))
    assert faults == ["A: opened though in spec and nobody takes its shim"]


def test_verify_shares_no_code_with_what_makes_plans():
    """Its own words: it imports only the records."""
    module = import_module("jobs.compute.planner.verify")
    theirs = ("model", "solve", "assignment", "explain", "windows", "readings")
    borrowed = [
        name
        for name, value in vars(module).items()
        if str(getattr(value, "__module__", "")).rsplit(".", 1)[-1] in theirs
    ]
    assert borrowed == []
