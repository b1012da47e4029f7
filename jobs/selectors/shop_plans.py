"""A plan for the whole shop as its page shows it; the number of queries does not grow with the shop."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from jobs.models import HandOver, Job, ShopPlan
from jobs.selectors.shop_changes import changes_since
from jobs.selectors.shop_problem import site_problem
from shop.errors import NotFound
from shop.models import Site

KEEPS = ("keep",)


@dataclass(frozen=True, slots=True, kw_only=True)
class EngineShown:
    """One engine of the plan: whether it can leave, why, and what is done with the valves that change."""

    job: Job
    completed: bool
    accepted: bool
    why: str
    ready: datetime | None
    changes: Sequence[Mapping[str, Any]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """A shim that goes from one engine to another; `row`: its promise, once the plan is accepted."""

    thickness_nm: int
    giver: Job
    giver_label: str
    taker: Job
    taker_label: str
    say: str
    row: HandOver | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ShopPlanSheet:
    """changes: what is no longer as the plan has it, in sentences; only asked of a proposed plan."""

    plan: ShopPlan
    engines: Sequence[EngineShown]
    moves: Sequence[Move]
    left_out: Sequence[tuple[Job, str]]
    changes: Sequence[str]

    @property
    def leaving(self) -> int:
        return sum(engine.completed for engine in self.engines)

    @property
    def more_leave(self) -> int:
        """How many engines more can leave than by the nearest shim first."""
        return self.leaving - (self.plan.result or {}).get("nearest", {}).get("completed", 0)

    @property
    def fewer_bought(self) -> int:
        result = self.plan.result or {}
        if not result:
            return 0
        return result["nearest"]["score"]["bought"] - result["score"]["bought"]


def shop_plan_of(site: Site, pk: UUID) -> ShopPlan:
    """The site's plan by its id. Raises NotFound, for another site's plan too."""
    plan = ShopPlan.objects.filter(site=site, pk=pk).select_related("site", "task").first()
    if plan is None:
        raise NotFound("There is no such shop plan here.")
    return plan


def newest_shop_plan(site: Site) -> ShopPlan | None:
    """The last plan that was asked for and not cancelled; None where there is none."""
    plans = ShopPlan.objects.filter(site=site).exclude(state=ShopPlan.State.CANCELLED)
    return plans.select_related("site", "task").order_by("-number").first()


def shop_plan_sheet(plan: ShopPlan, *, at: datetime) -> ShopPlanSheet:
    """Everything of one plan."""
    made = plan.result or {"jobs": [], "hand_overs": []}
    out = plan.places.get("left_out", [])
    ids = [entry["job"] for entry in (*made["jobs"], *out)]
    ids += [entry[end] for entry in made["hand_overs"] for end in ("from_job", "to_job")]
    jobs = {
        str(job.pk): job
        for job in Job.objects.filter(pk__in=ids).select_related("vehicle", "bay", "engine_type")
    }
    rows = {
        (str(row.to_job_id), row.to_label): row
        for row in HandOver.objects.filter(plan__shop_plan=plan).select_related("from_job", "to_job")
    }
    changes: list[str] = []
    if plan.state == ShopPlan.State.PROPOSED:
        now = site_problem(plan.site, at=at, move_accepted=plan.move_accepted)
        changes = changes_since(plan, now)
    engines = [_engine(entry, jobs[entry["job"]]) for entry in made["jobs"]]
    return ShopPlanSheet(
        plan=plan,
        engines=sorted(engines, key=lambda engine: (not engine.completed, engine.job.number)),
        moves=[_move(entry, jobs, rows) for entry in made["hand_overs"]],
        left_out=[(jobs[entry["job"]], entry["because"]) for entry in out],
        changes=changes,
    )


def _engine(entry: Mapping[str, Any], job: Job) -> EngineShown:
    ready = entry["ready"]
    return EngineShown(
        job=job,
        completed=entry["completed"],
        accepted=entry["accepted"],
        why=entry["why"],
        ready=datetime.fromisoformat(ready) if ready else None,
        changes=[choice for choice in entry["choices"] if choice["action"] not in KEEPS],
    )


def _move(
    entry: Mapping[str, Any], jobs: Mapping[str, Job], rows: Mapping[tuple[str, str], HandOver]
) -> Move:
    return Move(
        thickness_nm=entry["thickness_nm"],
        giver=jobs[entry["from_job"]],
        giver_label=entry["from_label"] or "its tray",
        taker=jobs[entry["to_job"]],
        taker_label=entry["to_label"],
        say=entry["say"],
        row=rows.get((entry["to_job"], entry["to_label"])),
    )
