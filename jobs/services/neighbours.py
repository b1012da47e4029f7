"""A plan's line takes the neighbouring size that was bought for it, where that would do as well."""

from collections.abc import Iterable, Sequence
from datetime import datetime

from inventory.compute.lengths import show
from inventory.models import Hold, Need
from jobs.models import Job, Plan, PlanLine
from jobs.selectors.would_do import after_with
from jobs.services.events import cut, note_event
from shop.actor import service_actor


def take_neighbours(
    job: Job, plan: Plan, lost: Sequence[PlanLine], holds: Iterable[Hold], at: datetime
) -> bool:
    """Give the plan's lost lines that buy the size that came for them and is held for the job; the job is
    locked. False where no line changed: what came was not bought for them, or would not do.
    """
    needs = {
        need.valve_label: need
        for need in Need.objects.filter(job_id=job.pk, state=Need.State.MET).select_related("line")
    }
    held = {(line.label, line.thickness_nm) for hold in holds for line in hold.lines.all()}
    changed = []
    for line in lost:
        need = needs.get(line.label)
        if line.action not in ("buy", "order") or need is None or need.line is None:
            continue
        came = need.line.thickness_nm
        if (line.label, came) in held and came in need.would_do_nm and _take(job, plan, line, came):
            changed.append(line)
    if not changed:
        return False
    fields = ["thickness_nm", "low_nm", "called_nm", "high_nm", "guaranteed", "why"]
    PlanLine.objects.bulk_update(changed, fields)
    plan.save(update_fields=["deviation_nm", "not_guaranteed"])
    shims = ", ".join(f"{show(line.gets_nm)} mm for {line.label}" for line in changed)
    text = f"A neighbouring size came and does as well: {shims}. Plan {plan.number} follows."
    note_event(job, "neighbour_came", by=service_actor().label, at=at, text=text)
    return True


def _take(job: Job, plan: Plan, line: PlanLine, came: int) -> bool:
    now = after_with(job, line.label, came)
    before = after_with(job, line.label, line.gets_nm)
    if now is None or before is None:
        return False
    after, guaranteed, aim_nm = now
    words = f"{show(came)} mm came for the {show(line.gets_nm)} mm that was planned, and does as well."
    plan.deviation_nm += round(abs(after.called - aim_nm)) - round(abs(before[0].called - aim_nm))
    plan.not_guaranteed += int(not guaranteed) - int(not line.guaranteed)
    line.thickness_nm, line.guaranteed = came, guaranteed
    line.low_nm, line.called_nm, line.high_nm = round(after.low), round(after.called), round(after.high)
    line.why = cut(f"{words} {line.why}", PlanLine, "why")
    return True
