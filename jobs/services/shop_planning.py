"""Plan the whole shop: asked for here, made by background tasks, its parts side by side.

`plan_shop` queues one task. It looks at the site once, takes the shop apart and queues a task for each part
where there are several. It then works on parts itself, as any other worker may: so that they go side by side
where there are workers, and one worker alone is enough. When all are done it joins them and is done itself.
A worker that dies loses nothing: what was looked at and the parts that are done are kept in rows, and its
task is taken up again.
"""

import time
from collections.abc import Callable
from datetime import datetime

from inventory.services.numbering import next_number
from jobs.compute.shopplan import (
    Part,
    ShopProblem,
    join,
    nearest_first,
    solve_part,
    split,
    verify,
    worth_having,
)
from jobs.compute.shopplan import (
    ShopPlan as MadePlan,
)
from jobs.compute.shopplan.as_json import (
    part_plan_as_json,
    part_plan_from_json,
    problem_as_json,
    problem_from_json,
)
from jobs.models import ShopPlan, ShopPlanJob, ShopPlanPart
from jobs.selectors.shop_problem import site_problem
from jobs.services.shop_records import Json, places_of, result_of
from jobs.services.waking import sweep_holds
from shop.actor import Actor
from shop.background.context import TaskContext
from shop.background.queue import cancel_task, queue_task
from shop.background.work import run_task
from shop.conf import conf
from shop.db import atomic_write, read_snapshot, write_transaction
from shop.errors import Conflict, WrongState
from shop.models import Site, Task
from shop.roles import Action

PLAN_SHOP, PLAN_SHOP_PART = "plan_shop", "plan_shop_part"
LOOK_AGAIN_SECONDS = 0.1
# Beside the search itself, what one more shim would change may take so much of its time.
MORE_SHARE = 0.25
MOST_MORE = 6
_OVER = (Task.State.DONE, Task.State.FAILED, Task.State.CANCELLED)


@write_transaction
def plan_shop(*, site: Site, actor: Actor, at: datetime, move_accepted: bool = False) -> ShopPlan:
    """Have one plan made for all open jobs of the site, in the background.

    `move_accepted`: jobs whose plan was accepted, and of which nothing was handed out yet, are planned anew
    too; for managers. Raises Conflict, code `plan-under-way`, while another one is being made.
    """
    actor.must(Action.PLAN, site)
    if move_accepted:
        actor.must(Action.MOVE_ACCEPTED, site)
    fail_lost_shop_plans(site)
    number = next_number(site, ShopPlan.objects.filter(site=site))
    under_way = ShopPlan.objects.filter(site=site, state=ShopPlan.State.MAKING).first()
    if under_way is not None:
        raise Conflict(
            f"{under_way} is being made. Wait for it, or cancel it first.",
            code="plan-under-way",
            extra={"shop_plan": str(under_way.pk)},
        )
    plan = ShopPlan.objects.create(
        site=site, number=number, move_accepted=move_accepted, created_at=at, created_by=actor.label
    )
    plan.task = queue_task(PLAN_SHOP, {"shop_plan": str(plan.pk)}, at=at, site=site, created_by=actor.user)
    plan.save(update_fields=["task"])
    return plan


@write_transaction
def cancel_shop_plan(*, plan: ShopPlan, actor: Actor, at: datetime) -> ShopPlan:
    """Stop making a plan. Raises WrongState once it is made."""
    actor.must(Action.PLAN, plan.site)
    plan = ShopPlan.objects.select_for_update(of=("self",)).select_related("site", "task").get(pk=plan.pk)
    if plan.state != ShopPlan.State.MAKING:
        raise WrongState(f"{plan} is not being made any more: {plan.get_state_display().lower()}.")
    tasks = [plan.task, *(part.task for part in plan.parts.select_related("task"))]
    for task in tasks:
        if task is not None and task.state not in _OVER:
            cancel_task(task, at=at)
    plan.state = ShopPlan.State.CANCELLED
    plan.save(update_fields=["state"])
    return plan


def make_shop_plan(task: TaskContext) -> Json:
    """The task behind `plan_shop`; safe to run again at any point."""
    plan = ShopPlan.objects.select_related("site").get(pk=task.payload["shop_plan"])
    if plan.state != ShopPlan.State.MAKING:
        return {"shop_plan": str(plan.pk)}
    task.heartbeat(1, "Looking at the shop")
    _look(plan, task.now())
    problem = problem_from_json(plan.problem)
    parts = {part.key: part for part in split(problem)}
    _queue_parts(plan, parts, task)
    while _solve_next(plan, parts, task):
        done = plan.parts.filter(result__isnull=False).count()
        task.heartbeat(5 + 75 * done // max(len(parts), 1), f"{done} of {len(parts)} parts are planned")
    made, result = _join(plan, problem, task)
    faults = verify(problem, made)
    if faults:
        raise AssertionError(f"the shop plan breaks its own rules: {faults[:3]}")
    return _keep(plan, result, task)


def solve_shop_plan_part(task: TaskContext) -> Json | None:
    """The task of one part; safe to run again, and nothing once the plan is no longer being made."""
    row = ShopPlanPart.objects.select_related("shop_plan").get(pk=task.payload["part"])
    if row.result is None and row.shop_plan.state == ShopPlan.State.MAKING:
        part = next(part for part in split(problem_from_json(row.shop_plan.problem)) if part.key == row.key)
        solved = _solved(row.shop_plan, part, task)
        with task.commit({}):
            ShopPlanPart.objects.filter(pk=row.pk, result__isnull=True).update(result=solved)
    return None


def fail_lost_shop_plans(site: Site) -> int:
    """Say of plans whose task ended without them that they were not made; how many."""
    lost = ShopPlan.objects.filter(
        site=site, state=ShopPlan.State.MAKING, task__state__in=[Task.State.FAILED, Task.State.CANCELLED]
    )
    return _fail(lost)


@write_transaction
def _fail(lost) -> int:
    failed = 0
    for plan in lost.select_related("task"):
        because = plan.task.error or "Its task was cancelled."
        failed += ShopPlan.objects.filter(pk=plan.pk, state=ShopPlan.State.MAKING).update(
            state=ShopPlan.State.FAILED, stale_because=because[:1_000]
        )
    return failed


def _look(plan: ShopPlan, at: datetime) -> None:
    """Write down what the plan is made from, once: a task that is taken up again goes on with the same."""
    if plan.problem is None:
        sweep_holds(site=plan.site, at=at)
        with read_snapshot():
            asked = site_problem(plan.site, at=at, move_accepted=plan.move_accepted)
        plan.problem, plan.places = problem_as_json(asked.problem), places_of(asked)
        plan.until = at + conf.shop_plan_time
        # One that is left out may give what lies in its tray, and is planned once it is read.
        touched = [*asked.jobs, *(entry.job for entry in asked.left_out)]
        with atomic_write():
            plan.save(update_fields=["problem", "places", "until"])
            ShopPlanJob.objects.bulk_create(
                [ShopPlanJob(shop_plan=plan, job=job) for job in touched], ignore_conflicts=True
            )


def _queue_parts(plan: ShopPlan, parts: dict[str, Part], task: TaskContext) -> None:
    """A row for each part; with several, a task for each too, for whoever has time."""
    known = set(plan.parts.values_list("key", flat=True))
    with atomic_write():
        for key in parts:
            if key in known:
                continue
            row = ShopPlanPart.objects.create(shop_plan=plan, key=key)
            if len(parts) > 1:
                row.task = queue_task(PLAN_SHOP_PART, {"part": row.pk}, at=task.now(), site=plan.site)
                row.save(update_fields=["task"])


def _solve_next(plan: ShopPlan, parts: dict[str, Part], task: TaskContext) -> bool:
    """Do one part, or wait a moment for others who do; False when none is left.

    Raises WrongState for a part that failed for good.
    """
    left = list(plan.parts.filter(result__isnull=True).select_related("task").order_by("id"))
    if not left:
        return False
    for row in left:
        if row.task is None:
            solved = _solved(plan, parts[row.key], task)
            with atomic_write():
                ShopPlanPart.objects.filter(pk=row.pk, result__isnull=True).update(result=solved)
            return True
        if row.task.state == Task.State.QUEUED and run_task(row.task_id):
            return True
        if row.task.state in _OVER and not ShopPlanPart.objects.filter(pk=row.pk).filter(
            result__isnull=False
        ):
            raise WrongState(f"A part of {plan} could not be planned. {row.task.error}".strip())
    task.heartbeat(5, "Waiting for the last parts")
    time.sleep(LOOK_AGAIN_SECONDS)
    return True


def _solved(plan: ShopPlan, part: Part, task: TaskContext) -> Json:
    return part_plan_as_json(solve_part(part, _seconds_left(plan, task), _step(task)))


def _seconds_left(plan: ShopPlan, task: TaskContext) -> float:
    """What is left of the time limit; none left still gives a plan, unproven."""
    return 0.0 if plan.until is None else max(0.0, (plan.until - task.now()).total_seconds())


def _step(task: TaskContext) -> Callable[[], None]:
    return lambda: task.heartbeat(5, "Planning")


def _join(plan: ShopPlan, problem: ShopProblem, task: TaskContext) -> tuple[MadePlan, Json]:
    task.heartbeat(85, "Putting the parts together")
    rows = plan.parts.order_by("id")
    made = join(problem, [part_plan_from_json(row.result) for row in rows])
    task.heartbeat(90, "Looking at what one more shim would change")
    seconds = MORE_SHARE * conf.shop_plan_time.total_seconds()
    more = worth_having(problem, made, MOST_MORE, time_limit=seconds, step=_step(task))
    return made, result_of(problem, plan.places, made, nearest_first(problem), more)


def _keep(plan: ShopPlan, result: Json, task: TaskContext) -> Json:
    """The proposal is there and the task done, in one transaction: neither is twice or alone."""
    answer = {"shop_plan": str(plan.pk)}
    with task.commit(answer):
        fresh = ShopPlan.objects.select_for_update().get(pk=plan.pk)
        if fresh.state == ShopPlan.State.MAKING:
            # Something that it rests on changed while it was made.
            fresh.state = ShopPlan.State.STALE if fresh.stale_because else ShopPlan.State.PROPOSED
            fresh.result = result
            fresh.save(update_fields=["state", "result"])
    return answer
