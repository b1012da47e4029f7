"""One job's share of a plan for the whole shop, and the job's own plan that it becomes."""

import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from inventory.models import Place, PlaceKind
from inventory.services.holds import Wanted
from jobs.models import Job, Plan, PlanLine, ShopPlan
from jobs.selectors.plans import CHANGES
from jobs.services.events import cut
from jobs.services.shop_records import Json


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """What the plan does with one job."""

    job: Job
    made: Json
    choices: tuple[Json, ...]

    def of(self, *actions: str) -> list[Json]:
        return [choice for choice in self.choices if choice["action"] in actions]

    @property
    def from_others(self) -> list[Json]:
        key = str(self.job.pk)
        return [choice for choice in self.of("swap", "tray") if choice["from_job"] != key]


def shares_of(plan: ShopPlan, jobs: Mapping[uuid.UUID, Job]) -> list[Share]:
    """The jobs to which the plan gives something, or from which it takes something, but for those that an
    accepted plan has settled."""
    givers = {hand_over["from_job"] for hand_over in plan.result["hand_overs"]}
    found = []
    for made in plan.result["jobs"]:
        if made["accepted"]:
            continue
        changes = any(choice["action"] in CHANGES for choice in made["choices"])
        if changes or made["job"] in givers:
            job = jobs[uuid.UUID(made["job"])]
            found.append(Share(job=job, made=made, choices=tuple(made["choices"])))
    return found


def wanted_of(plan: ShopPlan, share: Share, places: Mapping[uuid.UUID, Place]) -> list[Wanted]:
    return [
        Wanted(
            place=places[uuid.UUID(plan.places["lots"][choice["from_lot"]]["place"])],
            family_id=share.job.family_id,
            thickness_nm=choice["thickness_nm"],
            condition=choice["condition"],
            quantity=1,
            label=choice["label"],
        )
        for choice in share.of("stock")
    ]


def plan_lines(
    plan: ShopPlan, share: Share, mine: Plan, places: Mapping[uuid.UUID, Place]
) -> Iterable[PlanLine]:
    key = str(share.job.pk)
    said = {choice["label"]: choice for choice in share.choices}
    taken = {
        choice["from_label"]
        for made in plan.result["jobs"]
        for choice in made["choices"]
        if choice["from_job"] == key and choice["from_label"]
    }
    for valve in share.job.valves.order_by("order"):
        choice = said.get(valve.label)
        if choice is None:
            yield PlanLine(
                plan=mine,
                order=valve.order,
                label=valve.label,
                action="keep",
                thickness_nm=valve.shim_nm,
                own_nm=valve.shim_nm,
                why="Marked never to be opened, and not read; its shim stays.",
            )
            continue
        other = choice["from_job"] if choice["from_job"] not in (None, key) else None
        opened = choice["action"] not in ("keep", "measure")
        place = (
            places[uuid.UUID(plan.places["lots"][choice["from_lot"]]["place"])]
            if choice["action"] == "stock"
            else None
        )
        # What was handed out for the job before lies in its tray.
        in_tray = place is not None and place.kind == PlaceKind.TRAY
        yield PlanLine(
            plan=mine,
            order=valve.order,
            label=valve.label,
            verdict=choice["verdict"],
            action="tray" if in_tray else choice["action"],
            thickness_nm=choice["thickness_nm"],
            condition=choice["condition"] or "",
            from_valve=choice["from_label"] or "",
            from_job_id=other,
            from_place=None if in_tray else place,
            own_nm=valve.shim_nm,
            low_nm=choice["low_nm"],
            called_nm=choice["called_nm"],
            high_nm=choice["high_nm"],
            guaranteed=choice["guaranteed"],
            left_over=opened and valve.shim_nm is not None and valve.label not in taken,
            why=cut(choice["why"], PlanLine, "why"),
            why_not=cut(choice["why_not"], PlanLine, "why_not"),
        )
