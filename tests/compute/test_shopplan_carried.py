"""Shop problems and part plans as JSON, the weights of jobs, and what one more shim would have changed."""

import json
from datetime import timedelta

import pytest

from jobs.compute.shopplan import (
    OpenJob,
    ShopLot,
    ShopProblem,
    job_weight,
    join,
    one_more,
    plan_shop,
    solve_part,
    split,
    worth_having,
)
from jobs.compute.shopplan.as_json import (
    part_plan_as_json,
    part_plan_from_json,
    problem_as_json,
    problem_from_json,
)
from tests.compute.planner_cases import valve
from tests.compute.shopplan_cases import planned, random_shop


def through_json(value):
    return json.loads(json.dumps(value))


def test_problems_come_back_equal():
    for seed in range(200):
        problem = random_shop(seed)
        assert problem_from_json(through_json(problem_as_json(problem))) == problem


def test_part_plans_come_back_equal_and_join_as_before():
    for seed in range(60):
        problem = random_shop(seed)
        solved = [solve_part(part) for part in split(problem)]
        back = [part_plan_from_json(through_json(part_plan_as_json(plan))) for plan in solved]
        assert back == solved
        assert join(problem_from_json(through_json(problem_as_json(problem))), back) == join(problem, solved)


def test_a_problem_that_is_none_is_refused():
    with pytest.raises((KeyError, TypeError, ValueError)):
        problem_from_json({"jobs": [{"key": "1"}]})


@pytest.mark.parametrize(
    ("priority", "hours", "weight"),
    [(0, None, 1), (0, 73, 1), (0, 72, 2), (0, 24, 4), (0, -5, 4), (1, None, 2), (9, 1, 40)],
)
def test_weights(priority, hours, weight):
    promised_in = None if hours is None else timedelta(hours=hours)
    assert job_weight(priority=priority, promised_in=promised_in) == weight


@pytest.mark.parametrize("priority", [-1, 10])
def test_another_priority_is_refused(priority):
    with pytest.raises(ValueError, match="from 0 to 9"):
        job_weight(priority=priority)


def short_shop(*weights, stock=1):
    """Bays that each need one 2.52 mm shim, of which there are too few."""
    return ShopProblem(
        jobs=tuple(
            OpenJob(
                key=str(number),
                name=f"bay {number}",
                family="F",
                valves=(valve("A", passes=100_000),),
                weight=weight,
            )
            for number, weight in enumerate(weights, start=1)
        ),
        lots=(ShopLot(family="F", thickness_nm=2_520_000, condition="used", quantity=stock),),
        catalogue={"F": (2_525_000,)},
    )


def test_one_more_shim_lets_an_engine_leave():
    problem = short_shop(1, 3)
    answer = one_more(problem, plan_shop(problem), "F", 2_525_000)
    assert answer.completes == ("1",)
    assert answer.instead == ()
    assert answer.say == "One more new 2.525 mm shim would have let bay 1 leave."
    assert (answer.before.waiting, answer.after.waiting) == (1, 0)


def test_one_more_shim_of_no_use_says_so():
    problem = short_shop(1, 3)
    answer = one_more(problem, plan_shop(problem), "F", 3_000_000, "used")
    assert answer.before == answer.after
    assert answer.say == (
        "One more used 3.000 mm shim would have changed neither who leaves nor what is bought."
    )


def test_one_more_shim_is_what_the_plan_with_it_says():
    for seed in range(60):
        problem, plan = planned(seed)
        for answer in worth_having(problem, plan, at_most=3):
            assert answer.after < answer.before
            told = {job.key: job.completed for job in plan.jobs}
            assert not any(told[key] for key in answer.completes)
            assert all(told[key] for key in answer.instead)
            assert answer.say.endswith(".")


def test_what_is_worth_having_names_the_shim_that_most_depends_on_first():
    problem = short_shop(1, 3, 2)
    answers = worth_having(problem, plan_shop(problem))
    assert [(answer.thickness_nm, answer.completes) for answer in answers] == [(2_525_000, ("3",))]
    assert worth_having(problem, plan_shop(problem), time_limit=0.0) == ()


def test_nothing_is_worth_having_where_nobody_waits():
    problem = short_shop(1, stock=1)
    assert worth_having(problem, plan_shop(problem)) == ()
