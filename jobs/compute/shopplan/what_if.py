"""What one more shim would have changed: the plan made again with it in the drawer.

Promise
    `one_more` compares the best plan with one more shim against the plan given; only the shim's family is
    planned again, since nothing else can change. `worth_having` asks that for the sizes that a plan buys,
    awaits or lacks, so that its answer says which shim in the drawer would have let an engine leave.
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace

from jobs.compute.planner.explain import mm
from jobs.compute.planner.types import Condition
from jobs.compute.shopplan.choice import Deadline, Step
from jobs.compute.shopplan.explain import counted
from jobs.compute.shopplan.parts import plan_shop
from jobs.compute.shopplan.solve import no_step
from jobs.compute.shopplan.types import JobPlan, ShopLot, ShopPlan, ShopProblem, ShopScore, added


@dataclass(frozen=True, slots=True, kw_only=True)
class OneMore:
    """What one more shim would have changed."""

    family: str
    thickness_nm: int
    condition: Condition
    before: ShopScore
    """Of the jobs of its family under the plan given."""
    after: ShopScore
    """Of the same jobs under the best plan with it. Not above `before`, but where the time was up."""
    completes: tuple[str, ...]
    """Keys of the jobs that could then be completed and now cannot."""
    instead: tuple[str, ...]
    """Keys of those that would then wait and now do not."""
    say: str
    """One plain sentence."""


def one_more(
    problem: ShopProblem,
    plan: ShopPlan,
    family: str,
    thickness_nm: int,
    condition: Condition = "new",
    *,
    time_limit: float | None = None,
    step: Step = no_step,
) -> OneMore:
    """What one more shim of this family, thickness and condition in the drawer would have changed."""
    jobs = tuple(job for job in problem.jobs if job.family == family)
    extra = ShopLot(family=family, thickness_nm=thickness_nm, condition=condition, quantity=1)
    richer = plan_shop(
        replace(
            problem,
            jobs=jobs,
            lots=(*(lot for lot in problem.lots if lot.family == family), extra),
            ordered=tuple(lot for lot in problem.ordered if lot.family == family),
        ),
        time_limit,
        step,
    )
    keys = {job.key for job in jobs}
    now = {job.key: job for job in plan.jobs if job.key in keys}
    before = added([job.score for job in now.values()])
    completes = tuple(job.key for job in richer.jobs if job.completed and not now[job.key].completed)
    instead = tuple(job.key for job in richer.jobs if not job.completed and now[job.key].completed)
    names = {job.key: job.called for job in jobs}
    return OneMore(
        family=family,
        thickness_nm=thickness_nm,
        condition=condition,
        before=before,
        after=richer.score,
        completes=completes,
        instead=instead,
        say=_say(
            f"One more {condition} {mm(thickness_nm)} mm shim",
            [names[key] for key in completes],
            [names[key] for key in instead],
            before,
            richer.score,
        ),
    )


def worth_having(
    problem: ShopProblem,
    plan: ShopPlan,
    at_most: int = 8,
    *,
    time_limit: float | None = None,
    step: Step = no_step,
) -> tuple[OneMore, ...]:
    """The sizes of which one more would have let an engine leave or saved a purchase, the best first.

    Looked at are the sizes that the plan buys or takes from what is on order, those of the heaviest jobs
    first, `at_most` of them; `time_limit` is for all of them together.
    """
    deadline = Deadline(time_limit)
    asked: Counter[tuple[str, int]] = Counter()
    weight = {job.key: job.weight for job in problem.jobs}
    family = {job.key: job.family for job in problem.jobs}
    for made in plan.jobs:
        for thickness in _lacked(made):
            asked[family[made.key], thickness] += weight[made.key]
    found = []
    for (code, thickness), _ in sorted(asked.items(), key=lambda item: (-item[1], item[0]))[:at_most]:
        left = deadline.left()
        if left == 0.0:
            break
        answer = one_more(problem, plan, code, thickness, time_limit=left, step=step)
        if answer.after[:4] < answer.before[:4]:
            found.append(answer)
    return tuple(sorted(found, key=lambda one: (_change(one), one.thickness_nm)))


def _change(one: OneMore) -> tuple[int, ...]:
    return tuple(after - before for before, after in zip(one.before, one.after, strict=True))


def _lacked(made: JobPlan) -> Iterator[int]:
    for choice in made.choices:
        if choice.action in ("buy", "order") and choice.thickness_nm is not None:
            yield choice.thickness_nm


def _say(begin: str, leaves: list[str], waits: list[str], before: ShopScore, after: ShopScore) -> str:
    if after.waiting < before.waiting:
        instead = f", and {' and '.join(waits)} wait" if waits else ""
        return f"{begin} would have let {' and '.join(leaves)} leave{instead}."
    saved = ShopScore(*(old - new for old, new in zip(before, after, strict=True)))
    if saved.unresolved > 0:
        return f"{begin} would have given {counted(saved.unresolved, 'more valve')} a shim."
    if saved.bought > 0:
        return f"{begin} would have saved buying {saved.bought}."
    if saved.awaited > 0:
        return f"{begin} would have left {counted(saved.awaited, 'shim')} on order for others."
    if saved.not_guaranteed > 0:
        return f"{begin} would have made {counted(saved.not_guaranteed, 'more clearance')} certain."
    if saved.opened > 0:
        return f"{begin} would have left {counted(saved.opened, 'more valve')} closed."
    return f"{begin} would have changed neither who leaves nor what is bought."
