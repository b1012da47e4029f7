"""A job's sheet as it is sent; the shape is JobSerializer's (api/job_shapes.py)."""

from collections import Counter
from datetime import datetime
from typing import Any

from django.db.models import prefetch_related_objects

from api.hold_shapes import HoldSerializer
from api.job_shapes import JobRowSerializer
from api.shapes import sent, sent_all
from inventory.compute.lengths import from_keyed, from_nm
from inventory.models import Hold, Need
from jobs.models import ClearanceReading, Fit, HandOver, Job, JobValve, Plan, PlanLine, ShimReading
from jobs.selectors.jobs import JobSheet, ValveSheet
from jobs.services.handing_over import instruction

SCORE = ("unresolved", "bought", "not_guaranteed", "opened", "stock_cost", "deviation_nm")


def render_sheet(sheet: JobSheet) -> dict[str, Any]:
    job = sheet.job
    return {
        **sent(JobRowSerializer, job),
        "description": job.vehicle.description,
        "unit": job.unit,
        "lash_ratio": f"{job.lash_ratio.normalize():f}",
        "spec_source": job.spec_source,
        "odometer": job.odometer,
        "note": job.note,
        "round": job.round,
        "opened_by": job.opened_by,
        "closed_by": job.closed_by,
        "sign_off_reason": job.sign_off_reason,
        "may": sorted(act.value for act in sheet.may),
        "next": sheet.next,
        "to_read": list(sheet.to_read),
        "valves": [_valve(valve) for valve in sheet.valves],
        "plan": _plan(sheet.plan, sheet.valves) if sheet.plan else None,
        "holds": _holds(sheet.holds),
        "needs": [_need(need) for need in sheet.needs],
        "hand_overs": [hand_over_shown(row) for row in sheet.hand_overs],
        "items": [{"name": i.name, "quantity": i.quantity, "note": i.note} for i in sheet.items],
        "events": [
            {"act": event.act, "at": _at(event.at), "by": event.by, "text": event.text}
            for event in sheet.events
        ],
    }


def _holds(holds: tuple[Hold, ...]) -> Any:
    # What a hold shows besides what the sheet's selector reads with it, for all holds at once.
    prefetch_related_objects(holds, "site", "lines__family")
    return sent_all(HoldSerializer, holds)


def _valve(sheet: ValveSheet) -> dict[str, Any]:
    valve = sheet.valve
    aim = from_keyed(valve.aim_nm, valve.aim_keyed) if valve.aim_keyed else from_nm(valve.aim_nm)
    return {
        "label": valve.label,
        "side": valve.side,
        "spec": {"min": _keyed(valve, "min"), "max": _keyed(valve, "max")},
        "aim": aim.as_json(),
        "adjust": valve.adjust,
        "shim": _shim_in(valve),
        "reading": _reading(sheet.reading),
        "verdict": sheet.verdict,
        "before": _reading(sheet.before),
        "after": _reading(sheet.after),
        "readings": [_reading(row) for row in sheet.readings],
        "shim_readings": [_shim_reading(row) for row in sheet.shim_readings],
        "fits": [_fit(fit) for fit in sheet.fits],
    }


def _shim_in(valve: JobValve) -> dict[str, Any] | None:
    if valve.shim_nm is None:
        return None
    return {"thickness": _keyed(valve, "shim"), "known_by": valve.shim_known_by}


def _reading(row: ClearanceReading | None) -> dict[str, Any] | None:
    if row is None:
        return None
    return {
        "round": row.round,
        "passes": _keyed(row, "passes"),
        "stops": _keyed(row, "stops"),
        "stops_given": row.stops_given,
        "at": _at(row.at),
        "by": row.by,
    }


def _shim_reading(row: ShimReading) -> dict[str, Any]:
    return {
        "round": row.round,
        "thickness": _keyed(row, "thickness"),
        "known_by": row.known_by,
        "at": _at(row.at),
        "by": row.by,
    }


def _fit(fit: Fit) -> dict[str, Any]:
    return {
        "round": fit.round,
        "planned": _mm(fit.planned_nm),
        "fitted": _mm(fit.fitted_nm),
        "condition": fit.fitted_condition,
        "source": fit.fitted_from,
        "removed": _mm(fit.removed_nm),
        "predicted": _mm(fit.predicted_nm),
        "differs": fit.differs,
        "reason": fit.reason,
        "at": _at(fit.at),
        "by": fit.by,
    }


def _plan(plan: Plan, valves: tuple[ValveSheet, ...]) -> dict[str, Any]:
    lines = [valve.line for valve in valves if valve.line is not None]
    to_buy = Counter(line.thickness_nm for line in lines if line.action == "buy")
    return {
        "number": plan.number,
        "state": plan.state,
        "stale_because": plan.stale_because,
        "alternative": plan.wish,
        "worth_having": plan.worth_having,
        "created_at": _at(plan.created_at),
        "created_by": plan.created_by,
        "score": {name: getattr(plan, name) for name in SCORE},
        "valves": [_line(line, plan.job.tray.code) for line in lines],
        "left_over": [
            {"thickness": _mm(line.own_nm), "from": line.label} for line in lines if line.left_over
        ],
        "to_buy": [
            {"thickness": _mm(nm), "quantity": quantity} for nm, quantity in sorted(to_buy.items()) if nm
        ],
        "to_measure": [line.label for line in lines if line.action == "measure"],
    }


def _line(line: PlanLine, tray: str) -> dict[str, Any]:
    return {
        "label": line.label,
        "verdict": line.verdict or None,
        "action": line.action,
        "shim": _planned_shim(line, tray),
        "clearance_after": {
            "low": _mm(line.low_nm),
            "called": _mm(line.called_nm),
            "high": _mm(line.high_nm),
        }
        if line.called_nm is not None
        else None,
        "guaranteed": line.guaranteed,
        "why": line.why,
        "why_not": line.why_not,
    }


def _planned_shim(line: PlanLine, tray: str) -> dict[str, Any] | None:
    if line.thickness_nm is None:
        return None
    other = {"job": str(line.from_job_id)} if line.from_job_id else {}
    sources: dict[str, Any] = {
        "swap": {"valve": line.from_valve, **other},
        "tray": {"tray": line.from_job.tray.code if line.from_job else tray, **other},
        "order": {"on_order": True},
        "stock": {"bin": line.from_place.code if line.from_place else ""},
        "buy": {"catalogue": True},
    }
    shim: dict[str, Any] = {"thickness": _mm(line.thickness_nm)}
    if line.action in ("stock", "buy", "order") and line.condition:
        shim["condition"] = line.condition
    shim["from"] = sources.get(line.action)
    return shim


def _need(need: Need) -> dict[str, Any]:
    return {
        "valve": need.valve_label,
        "thickness": _mm(need.thickness_nm),
        "state": need.state,
        "purchase_list": str(need.line.purchase_list_id) if need.line else None,
    }


def hand_over_shown(row: HandOver) -> dict[str, Any]:
    return {
        "id": str(row.pk),
        "state": row.state,
        "thickness": _mm(row.thickness_nm),
        "from": _end(row.from_job, row.from_label),
        "to": _end(row.to_job, row.to_label),
        "say": instruction(row),
        "handed_over_at": _at(row.handed_over_at) if row.handed_over_at else None,
        "handed_over_by": row.handed_over_by,
    }


def _end(job: Job, label: str) -> dict[str, Any]:
    return {
        "job": str(job.pk),
        "number": job.number,
        "bay": job.bay.number if job.bay else None,
        "valve": label or None,
    }


def _keyed(row: Any, column: str) -> dict[str, str]:
    return from_keyed(getattr(row, f"{column}_nm"), getattr(row, f"{column}_keyed")).as_json()


def _mm(nm: int | None) -> dict[str, str] | None:
    return None if nm is None else from_nm(nm).as_json()


def _at(moment: datetime) -> str:
    return moment.isoformat().replace("+00:00", "Z")
