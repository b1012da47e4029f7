"""A plan takes over what was held for its job by hand: the same promise, now for a valve.

The shims stay promised where they are; only the lines say from then on for which valves they are. So nothing
is promised twice, and nothing is free for others for a moment. Of a hold of which the plan wants a part, that
part becomes a hold of its own, the plan's; the rest goes on being held by hand, as long as it was.
"""

import uuid
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from inventory.models import Condition, Hold, HoldLine
from inventory.services.hold_times import usual_expiry
from jobs.models import Job, PlanLine
from jobs.services.events import cut


def take_over_for(
    job: Job, lines: Iterable[PlanLine], holds: Sequence[Hold], *, by: str, at: datetime
) -> dict[str, HoldLine]:
    """Take over, for the lines of the job's plan that take from bins or from its own tray, what these holds,
    locked and all of the job, have of it; by label, the lines that hold it. A plan's line says from then on
    in which bin its shim is held."""
    taking = [
        line
        for line in lines
        if line.action == "stock" or (line.action == "tray" and line.from_job_id is None)
    ]
    wanted = [
        WantedShim(
            label=line.label,
            thickness_nm=line.gets_nm,
            condition=line.condition,
            place_id=line.bin.pk if line.action == "stock" else job.tray_id,
        )
        for line in taking
    ]
    take_own(job, wanted, holds, by=by, at=at)
    taken = {want.label: want.taken for want in wanted if want.taken is not None}
    for line in taking:
        # It lies in another bin where somebody held it there after the plan was made.
        unit = taken.get(line.label)
        if unit is not None and line.action == "stock" and line.from_place_id != unit.place_id:
            line.from_place = unit.place
            line.save(update_fields=["from_place"])
    return taken


@dataclass(slots=True, kw_only=True, eq=False)
class WantedShim:
    """One shim that a plan wants for a valve. `taken`: the line that holds it already, once there is one."""

    label: str
    thickness_nm: int
    condition: str
    place_id: uuid.UUID
    taken: HoldLine | None = None


def take_own(job: Job, wanted: Sequence[WantedShim], holds: Sequence[Hold], *, by: str, at: datetime) -> None:
    """Give each wanted shim a line of these holds, locked and all of the job, as far as they have one alike:
    from the place that the plan means before any other, of the valve that the line names before any other.

    What is taken stands from then on at least as long as one that is made now.
    """
    if not holds or not wanted:
        return
    units = [line for hold in holds for line in hold.lines.all() for _ in range(line.quantity)]
    for exactly in (True, False):
        for want in wanted:
            if want.taken is None and (unit := _alike(want, units, job, exactly=exactly)):
                units.remove(unit)
                want.taken = unit
    until = usual_expiry(at, job.pk)
    for hold in take_out(job, wanted, holds, by=by, at=at):
        _keep(hold, until)


def take_out(
    job: Job, wanted: Sequence[WantedShim], holds: Sequence[Hold], *, by: str, at: datetime
) -> list[Hold]:
    """The holds that have the shims taken of these holds, locked and all of the job, and nothing else: those
    that have nothing else already, and a new one for what is taken of each of the others."""
    found = []
    for hold in holds:
        mine = [want for want in wanted if want.taken is not None and want.taken.hold_id == hold.pk]
        if mine:
            whole = sum(line.quantity for line in hold.lines.all()) == len(mine)
            lines = _relabel(hold, mine)
            found.append(hold if whole else _part(job, hold, lines, by, at))
    return found


def _alike(want: WantedShim, units: Sequence[HoldLine], job: Job, *, exactly: bool) -> HoldLine | None:
    found = [
        unit
        for unit in units
        if unit.family_id == job.family_id
        and (unit.thickness_nm, unit.condition) == (want.thickness_nm, want.condition)
        and unit.condition != Condition.UNMEASURED
        and (unit.place_id == want.place_id or not (exactly or job.tray_id in (unit.place_id, want.place_id)))
    ]
    found.sort(key=lambda unit: (unit.label != want.label, unit.pk))
    return found[0] if found else None


def _relabel(hold: Hold, wanted: Sequence[WantedShim]) -> list[HoldLine]:
    """A line of one shim for each valve, the one that is `taken` for it from then on; what no valve wants of
    a line stays as it was."""
    position = max(line.position for line in hold.lines.all())
    mine = []
    for line in list(hold.lines.all()):
        wants = [want for want in wanted if want.taken is not None and want.taken.pk == line.pk]
        left = line.quantity - len(wants)
        for number, want in enumerate(wants):
            if number == 0 and not left:
                if (line.quantity, line.label) != (1, want.label):
                    line.quantity, line.label = 1, want.label
                    line.save(update_fields=["quantity", "label"])
                want.taken = line
                mine.append(line)
                continue
            position += 1
            want.taken = HoldLine.objects.create(
                hold=hold,
                position=position,
                place_id=line.place_id,
                taken_from_id=line.taken_from_id,
                family_id=line.family_id,
                thickness_nm=line.thickness_nm,
                condition=line.condition,
                quantity=1,
                label=want.label,
            )
            mine.append(want.taken)
        if wants and left:
            line.quantity = left
            # The valve has its shim: a second one for it would be taken for the plan's.
            line.label = "" if line.label in {want.label for want in wants} else line.label
            line.save(update_fields=["quantity", "label"])
    return mine


def _part(job: Job, hold: Hold, lines: Sequence[HoldLine], by: str, at: datetime) -> Hold:
    """These lines of the hold under one of their own, as long as it stood; it keeps the others."""
    part = Hold.objects.create(
        site_id=hold.site_id,
        job_id=hold.job_id,
        reference=str(job),
        created_at=at,
        created_by=by,
        expires_at=hold.expires_at,
        handed_out_at=hold.handed_out_at,
        note=cut(f"Taken from what was held for {hold.reference}", Hold, "note"),
    )
    for position, line in enumerate(lines):
        line.hold, line.position = part, position
    HoldLine.objects.bulk_update(lines, ["hold", "position"])
    hold.version += 1
    hold.save(update_fields=["version"])
    return part


def _keep(hold: Hold, until: datetime) -> None:
    if hold.expires_at is not None and hold.expires_at < until:
        hold.expires_at = until
    hold.version += 1
    hold.save(update_fields=["expires_at", "version"])
