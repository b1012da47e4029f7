"""Fit a job: what came out of the engine goes to the tray, what was planned (or what really was) goes in."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from fractions import Fraction

from django.db.models import F

from inventory.compute.lengths import Length, LengthError, plausible_shim, show
from inventory.models import Condition, Hold, HoldLine, Movement, Place, PlaceKind
from inventory.selectors.places import place_of
from inventory.services.fitting import Fitted, OneShim, fit_shims
from inventory.services.hold_state import Locked
from inventory.services.ledger import Line, transfer
from inventory.services.purchasing import cancel_needs
from inventory.services.texts import text_errors
from jobs.compute.windows import clearance_after
from jobs.models import ClearanceReading, Fit, HandOver, Job, JobValve, Plan, PlanLine
from jobs.selectors.plans import CHANGES
from jobs.selectors.readings import current_readings
from jobs.services.at_hand import AtHand, NotAtHand, Shim
from jobs.services.handing_out import hand_out, lines_to_tray
from jobs.services.handing_over import end_with_fit, hold_what_was_pulled, out_of, what, where
from jobs.services.own_holds import WantedShim, take_out
from jobs.services.promises import accepted_plan, fresh, lock_plans_shims, lock_stock, lose_plans
from jobs.services.refusals import pointer, refuse, unknown_valves
from jobs.services.states import Act
from jobs.services.steps import begin, finish
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import FieldError, Unprocessable, WrongState


@dataclass(frozen=True, slots=True, kw_only=True)
class ReallyFitted:
    """What went into a valve where it differs from the plan.

    condition: as the shop counts the shim: "new", "used" (measured), or "unmeasured" for one that has just
    come out of an engine and is known by its marking. source: "tray", "bin:B07" or "valve:2-IN-L"; the
    valve's own label when its own shim went back in. reason: why, in the fitter's words.
    """

    thickness: Length
    condition: str
    source: str
    reason: str


_AS_PLANNED: Mapping[str, ReallyFitted] = {}


@write_transaction
def fit_job(
    *,
    job: Job,
    actor: Actor,
    at: datetime,
    really: Mapping[str, ReallyFitted] = _AS_PLANNED,
    version: int | None = None,
) -> Job:
    """Book the accepted plan as fitted; `really` names the valves where something else was done.

    Shims that are not handed out yet are handed out first. Valves for which the plan has no shim (unresolved,
    or to be measured) are left as they are, unless `really` names them. What the plan held and was not used
    lies in the tray, free; what is held by hand stays so, unless `really` names it.

    Raises Invalid with pointers under /really for what cannot be, Unprocessable when a valve would be left
    without a shim, NotEnough when a bin named in `really` has no such shim to spare, HoldExpired, WrongState.
    """
    job = begin(job, Act.FIT, actor=actor, at=at, version=version)
    plan = accepted_plan(job)
    if plan is None:
        raise WrongState(f"{job} has no plan whose shims are held. Plan, then hold.")
    valves = {valve.label: valve for valve in job.valves.order_by("order")}
    lines = {line.label: line for line in plan.lines.all()}
    refuse(_bad_input(really, valves), "Nothing was fitted")
    opened = {
        label: valve
        for label, valve in valves.items()
        if label in really or (label in lines and lines[label].action in CHANGES)
    }
    _refuse_unknown_shims(opened)
    cancel_needs(job_id=job.pk)
    locked, beside = lock_plans_shims(job, plan, actor=actor, at=at)
    given = {label: f"{row.to_label} of {row.to_job}" for label, row in out_of(job).items()}
    _refuse_left_empty(given, opened, really)
    _refuse_not_here(plan, really)
    at_hand = AtHand.of(job, list(opened.values()), locked.held, given, beside=beside)
    put_in = _shims_by_valve(at_hand, opened, lines, really)
    locked = _with_used(job, locked, beside, put_in, actor, at)
    movement = _book(job, actor, at, opened, put_in, locked, given)
    used = set(at_hand.takers) - set(given)
    losers = hold_what_was_pulled(job, pulled=set(opened) - set(given), used=used, actor=actor, at=at)
    end_with_fit(job, plan, as_planned=set(put_in) - set(really), at=at)
    job.round += 1
    _record(job, plan, movement, actor, at, opened, put_in, lines, really)
    plan.state = Plan.State.DONE
    plan.save(update_fields=["state"])
    job.state = Job.State.FITTED
    text = _in_words(opened, lines, really) + _unused_in_words(job, locked.held)
    job = finish(job, Act.FIT, actor=actor, at=at, text=text, changed=["round"])
    lose_plans(losers, job, "Its shim was fitted in its own engine.", at)
    return job


def _refuse_left_empty(
    given: Mapping[str, str], opened: Mapping[str, JobValve], really: Mapping[str, ReallyFitted]
) -> None:
    """A valve whose shim went to another engine must get one now."""
    empty = [label for label in given if label not in opened]
    if empty:
        named = ", ".join(f"{label} (its shim went to {given[label]})" for label in empty)
        raise Unprocessable(
            f"Nothing was fitted: without a shim would be {named}. Say what really went in.",
            errors=[FieldError(pointer("really", label), "would be left without a shim") for label in empty],
        )


def _refuse_not_here(plan: Plan, really: Mapping[str, ReallyFitted]) -> None:
    """Raise WrongState while shims of other jobs that the plan takes are still there."""
    waiting = [
        row
        for row in plan.hand_overs.filter(state=HandOver.State.PROMISED).select_related("from_job__bay")
        if row.to_label not in really
    ]
    if waiting:
        named = "; ".join(f"{what(row)} from {where(row.from_job)} for {row.to_label}" for row in waiting)
        raise WrongState(f"Nothing was fitted: hand over {named} first.", extra={"state": "held"})


def _bad_input(really: Mapping[str, ReallyFitted], valves: Mapping[str, JobValve]) -> list[FieldError]:
    errors = unknown_valves("really", really, valves, "") if really else []
    for label, item in really.items():
        if not item.reason.strip():
            errors.append(FieldError(pointer("really", label, "reason"), "say why it differs from the plan"))
        errors += text_errors(Fit, "reason", item.reason, pointer("really", label, "reason"))
        if item.condition not in Condition.values:
            errors.append(
                FieldError(pointer("really", label, "condition"), "must be new, used or unmeasured")
            )
        try:
            plausible_shim(item.thickness, "the shim that was fitted")
        except LengthError as error:
            errors.append(FieldError(pointer("really", label, "thickness"), error.message))
    return errors


def _refuse_unknown_shims(opened: Mapping[str, JobValve]) -> None:
    unknown = [valve.label for valve in opened.values() if valve.shim_nm is None]
    if unknown:
        raise Unprocessable(
            f"Nothing was fitted: it is not known what came out of {', '.join(unknown)}. "
            "Release the plan, key in these shims, then plan again.",
            errors=[
                FieldError(pointer("really", label), "the shim that came out is not known")
                for label in unknown
            ],
        )


def _shims_by_valve(
    at_hand: AtHand,
    opened: Mapping[str, JobValve],
    lines: Mapping[str, PlanLine],
    really: Mapping[str, ReallyFitted],
) -> dict[str, Shim]:
    """Which physical shim went into each opened valve: first as planned, then what people say of the
    others."""
    put_in: dict[str, Shim] = {}
    errors: list[FieldError] = []
    left_empty: list[str] = []
    for label in opened:
        line = lines.get(label)
        if label in really or line is None:
            continue
        try:
            if line.action == "swap" and not line.handed_over and line.from_valve not in opened:
                left_empty.append(line.from_valve)
            elif line.action == "swap" and not line.handed_over:
                put_in[label] = at_hand.from_valve(line.from_valve, to=label, opened=opened)
            else:
                put_in[label] = at_hand.held_for(label, line.gets_nm, line.condition)
        except NotAtHand as missing:
            errors.append(FieldError(pointer("really", label), str(missing)))
    for label, item in really.items():
        try:
            put_in[label] = at_hand.named(
                item.source, item.thickness, item.condition, to=label, opened=opened
            )
        except NotAtHand as missing:
            errors.append(FieldError(pointer("really", label, "source"), str(missing)))
    if left_empty:
        raise Unprocessable(
            f"Nothing was fitted: {', '.join(left_empty)} would be left without a shim, since its own goes "
            "to another valve and none is made that would do. Say what really went into it, or release the "
            "plan, mark it never, and plan again.",
            errors=[
                FieldError(pointer("really", label), "would be left without a shim") for label in left_empty
            ],
        )
    refuse(errors, "Nothing was fitted")
    return put_in


def _with_used(
    job: Job, locked: Locked, beside: Sequence[Hold], put_in: dict[str, Shim], actor: Actor, at: datetime
) -> Locked:
    """With what was held by hand and went into the engine all the same among the holds; `put_in` follows."""
    by_hand = {hold.pk for hold in beside}
    wanted = [
        WantedShim(
            label=label,
            thickness_nm=shim.thickness_nm,
            condition=shim.condition,
            place_id=shim.hold_line.place_id,
            taken=shim.hold_line,
        )
        for label, shim in put_in.items()
        if shim.hold_line is not None and shim.hold_line.hold_id in by_hand
    ]
    if not wanted:
        return locked
    taken = take_out(job, wanted, beside, by=actor.label, at=at)
    for want in wanted:
        put_in[want.label] = replace(put_in[want.label], hold_line=want.taken)
    return replace(locked, held=[*locked.held, *fresh(job, taken)])


def _book(
    job: Job,
    actor: Actor,
    at: datetime,
    opened: Mapping[str, JobValve],
    put_in: Mapping[str, Shim],
    locked: Locked,
    given: Mapping[str, str],
) -> Movement:
    """The movements: hand out what is still in its bin, pull, fit. Returns the fit."""
    engine = place_of(job.site, PlaceKind.ENGINE)
    in_bins = [hold for hold in locked.held if not hold.handed_out_at]
    pulled = [
        OneShim(family_id=job.family_id, thickness_nm=valve.known_nm, condition=valve.shim_condition)
        for valve in opened.values()
        if valve.label not in given
    ]
    # Everything that the movements below will touch is locked here, in the one order, before the first of
    # them.
    lock_stock(locked, [*lines_to_tray(job, in_bins), *_touched(job, engine, pulled, put_in)])
    if in_bins:
        hand_out(job, in_bins, actor=actor, at=at)
    moved = {line.pk: line for line in HoldLine.objects.filter(hold__in=locked.held).select_related("place")}
    _, fit = fit_shims(
        site=job.site,
        actor=actor,
        at=at,
        tray=job.tray,
        pulled=pulled,
        fitted=[
            Fitted(
                shim=OneShim(
                    family_id=job.family_id,
                    thickness_nm=shim.thickness_nm,
                    condition=shim.condition,
                    pointer=pointer("really", label),
                ),
                source=shim.place,
                hold_line=moved[shim.hold_line.pk] if shim.hold_line else None,
            )
            for label, shim in put_in.items()
        ],
        holds=locked.held,
        job_id=job.pk,
        document=str(job),
    )
    return fit


def _touched(job: Job, engine: Place, pulled: Sequence[OneShim], put_in: Mapping[str, Shim]) -> list[Line]:
    """The balances that pull and fit touch."""
    moves = [(engine, job.tray, shim.thickness_nm, shim.condition) for shim in pulled]
    moves += [(shim.place or job.tray, engine, shim.thickness_nm, shim.condition) for shim in put_in.values()]
    return [
        line
        for source, target, thickness_nm, condition in moves
        for line in transfer(
            source=source,
            target=target,
            family_id=job.family_id,
            thickness_nm=thickness_nm,
            condition=condition,
            quantity=1,
        )
    ]


def _record(
    job: Job,
    plan: Plan,
    movement: Movement,
    actor: Actor,
    at: datetime,
    opened: Mapping[str, JobValve],
    put_in: Mapping[str, Shim],
    lines: Mapping[str, PlanLine],
    really: Mapping[str, ReallyFitted],
) -> None:
    """Write what went in and came out of each opened valve, and what is in it from now on."""
    readings = current_readings(opened.values())
    fits = []
    for label, valve in opened.items():
        shim, line, said = put_in[label], lines.get(label), really.get(label)
        planned = line.thickness_nm if line is not None and line.action in CHANGES else None
        fits.append(
            Fit(
                valve=valve,
                plan=plan,
                round=job.round,
                planned_nm=planned,
                fitted_nm=shim.thickness_nm,
                fitted_condition=shim.condition,
                fitted_from=shim.source,
                removed_nm=valve.shim_nm,
                removed_condition=valve.shim_condition,
                predicted_nm=_predicted(job, valve, readings.get(valve.pk), shim),
                differs=said is not None,
                reason=said.reason.strip() if said else "",
                movement=movement,
                at=at,
                by=actor.label,
            )
        )
    for label, valve in opened.items():
        shim = put_in[label]
        valve.shim_nm, valve.shim_keyed, valve.shim_known_by = shim.thickness_nm, shim.keyed, shim.known_by
        valve.fit_round = job.round
    Fit.objects.bulk_create(fits)
    JobValve.objects.bulk_update(opened.values(), ["shim_nm", "shim_keyed", "shim_known_by", "fit_round"])


def _predicted(job: Job, valve: JobValve, reading: ClearanceReading | None, shim: Shim) -> int | None:
    if reading is None or valve.shim_nm is None:
        return None
    after = clearance_after(
        valve.shim_nm,
        reading.passes_nm,
        reading.stops_nm,
        shim.thickness_nm,
        0,
        Fraction(job.lash_ratio),
    )
    return round(after.called)


def _unused_in_words(job: Job, holds: Sequence[Hold]) -> str:
    """What the plan had taken from stock and did not go in, in a sentence with a blank before it."""
    lines = HoldLine.objects.filter(hold__in=holds, fitted__lt=F("quantity")).order_by("hold", "position")
    left = [f"{line.quantity - line.fitted} × {show(line.thickness_nm)} mm" for line in lines]
    return f" Not used, in tray {job.tray}: {', '.join(left)}." if left else ""


def _in_words(
    opened: Mapping[str, JobValve], lines: Mapping[str, PlanLine], really: Mapping[str, ReallyFitted]
) -> str:
    text = f"Fitted {', '.join(opened)}."
    if really:
        text += f" Not as planned: {', '.join(really)}."
    for action, words in (("unresolved", "no shim would do"), ("measure", "measure the shim first")):
        left = [line.label for line in lines.values() if line.action == action and line.label not in opened]
        if left:
            text += f" Not fitted ({words}): {', '.join(left)}."
    return text
