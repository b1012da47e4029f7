"""Shims that go from one job to another: handed over, and given back when one of the two does not go on.

Lock law: both jobs' rows first, with every other that a chain of promises ties to them, by id; see
`partners`.
"""

import uuid
from collections.abc import Collection, Iterable
from datetime import datetime

from django.db.models import Q

from inventory.compute.lengths import show
from inventory.models import Hold, Place, PlaceKind
from inventory.selectors.places import place_of
from inventory.services.fitting import OneShim
from inventory.services.handing_over import hand_over_shim, hold_in_tray, take_back_shim
from inventory.services.holds import release_hold
from jobs.models import HandOver, Job, Plan
from jobs.models.shop_plan import LIVE
from jobs.services.events import cut, note_event
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import Conflict, NotFound, WrongState
from shop.roles import Action

HAND_OVER = "hand_over"
"""The act's name in the history of both jobs."""
_CLOSED = (Job.State.SIGNED_OFF, Job.State.STOPPED)


def partners(jobs: Iterable[uuid.UUID]) -> set[uuid.UUID]:
    """These jobs and all that promises of shims tie to them, over however many steps."""
    found: set[uuid.UUID] = set()
    ahead = set(jobs)
    while ahead:
        found |= ahead
        tied = HandOver.objects.filter(Q(from_job__in=ahead) | Q(to_job__in=ahead), state__in=LIVE)
        ahead = {pk for pair in tied.values_list("from_job_id", "to_job_id") for pk in pair} - found
    return found


def lock_with_partners(job_ids: Iterable[uuid.UUID]) -> dict[uuid.UUID, Job]:
    """These jobs and their partners, locked in one order, by id."""
    found = partners(job_ids)
    if not found:
        return {}
    rows = Job.objects.select_for_update(of=("self",)).filter(pk__in=found).order_by("pk")
    return {job.pk: job for job in rows.select_related("site", "family", "bay", "tray", "vehicle")}


@write_transaction
def hand_over(*, hand_over: HandOver, actor: Actor, at: datetime) -> HandOver:
    """Take the shim out of the giver's valve or tray to the taker's tray, where it is held for its valve.

    Raises WrongState for one that was handed over or given up, and where the taker no longer counts on it.
    """
    jobs = lock_with_partners([hand_over.from_job_id, hand_over.to_job_id])
    taker = jobs[hand_over.to_job_id]
    actor.must(Action.HAND_OUT, taker.site)
    row = HandOver.objects.select_for_update(of=("self",)).select_related("hold").get(pk=hand_over.pk)
    giver = jobs[row.from_job_id]
    if row.state != HandOver.State.PROMISED:
        raise WrongState(
            f"This shim is {row.get_state_display().lower()} already."
            if row.state != HandOver.State.RELEASED
            else f"This shim is no longer promised: {row.ended_because or 'it was given up.'}",
            extra={"state": str(row.state)},
        )
    hold = row.hold
    if hold is not None and hold.state != Hold.State.HELD:
        raise WrongState("This shim is no longer held: plan again.")
    row.hold = hand_over_shim(
        site=taker.site,
        actor=actor,
        at=at,
        giver=giver.tray,
        taker=taker.tray,
        shim=shim_of(row, taker),
        hold=hold,
        job_id=taker.pk,
        giver_id=giver.pk,
        reference=str(taker),
        label=row.to_label,
        document=f"{giver} to {taker}",
    )
    row.out = hold is None
    row.state = HandOver.State.HANDED_OVER
    row.handed_over_at, row.handed_over_by = at, actor.label
    row.save(update_fields=["hold", "out", "state", "handed_over_at", "handed_over_by"])
    said = f"{what(row)} went from {where(giver)} to {where(taker)} for {row.to_label}."
    for job in (giver, taker):
        _changed(job, HAND_OVER, actor.label, at, said)
    return row


def hand_over_of(job: Job, pk: uuid.UUID) -> HandOver:
    """One that the job gives or gets. Raises NotFound."""
    row = HandOver.objects.filter(Q(from_job=job) | Q(to_job=job), pk=pk).first()
    if row is None:
        raise NotFound("There is no such shim to hand over on this job.")
    return row


def give_back_what_it_gets(job: Job, *, actor: Actor, at: datetime, because: str) -> None:
    """The locked job no longer takes shims of others: each is free where it is, or goes back."""
    for row in _live(HandOver.objects.filter(to_job=job)):
        in_givers_tray = row.state == HandOver.State.PROMISED
        _end(row, because)
        if row.hold is None or row.hold.state != Hold.State.HELD:
            continue
        if in_givers_tray:
            release_hold(hold=row.hold, actor=actor, at=at, note=because)
            continue
        _bring_back(row, job, actor, at, because)


def withdraw_what_it_gives(
    job: Job, *, actor: Actor, at: datetime, because: str, stopping: bool
) -> list[Job]:
    """The locked job no longer gives shims out of valves that it has not been fitted in since; one that is
    stopping gives none at all. Returns the jobs that counted on them, each once."""
    losers: dict[uuid.UUID, Job] = {}
    for row in _live(HandOver.objects.filter(from_job=job)):
        in_tray = row.hold_id is not None and row.state == HandOver.State.PROMISED
        fitted_since = not row.from_label or job.round > row.from_round
        if row.state == HandOver.State.HANDED_OVER and fitted_since:
            continue
        if in_tray and not stopping:
            continue
        taker = row.to_job
        _end(row, because)
        losers[taker.pk] = taker
        if row.hold is None or row.hold.state != Hold.State.HELD:
            continue
        if in_tray:
            release_hold(hold=row.hold, actor=actor, at=at, note=because)
        else:
            _bring_back(row, taker, actor, at, because)
    return list(losers.values())


def refuse_while_empty(job: Job) -> None:
    """Raise WrongState while a valve is without a shim because its own went into another engine."""
    gone = list(
        HandOver.objects.filter(
            from_job=job, out=True, from_round=job.round, state=HandOver.State.FITTED
        ).select_related("to_job__bay")
    )
    if gone:
        named = "; ".join(f"that of {row.from_label} is in {row.to_label} of {row.to_job}" for row in gone)
        raise WrongState(
            f"{job} cannot go without its plan now: its own shims are fitted elsewhere ({named}). "
            "Fit it, and say what really went in where that is not as planned.",
            extra={"state": str(job.state)},
        )


def refuse_alone_while_empty(job: Job) -> None:
    """Raise WrongState where a plan for this job alone would count on a shim that is in another engine."""
    gone = HandOver.objects.filter(
        from_job=job, out=True, from_round=job.round, state=HandOver.State.FITTED
    ).values_list("from_label", flat=True)
    if labels := ", ".join(gone):
        raise WrongState(
            f"{job} cannot be planned alone: the shim of {labels} is in another engine. Make a shop plan: "
            "it counts that valve as empty.",
            extra={"state": str(job.state)},
        )


def refuse_while_promised(job: Job) -> None:
    """Raise WrongState while shims in the job's tray wait to be carried to another."""
    waiting = list(
        HandOver.objects.filter(from_job=job, state=HandOver.State.PROMISED).select_related("to_job__bay")
    )
    if waiting:
        named = "; ".join(f"{what(row)} to {where(row.to_job)}" for row in waiting)
        raise WrongState(
            f"{job} cannot be signed off yet: hand over {named}.", extra={"state": str(job.state)}
        )


def refuse_in_a_ring(job: Job) -> None:
    """Raise WrongState while the job waits for a shim of another that waits for one of it in turn, over
    however many steps: that is only for engines that are all open on the bench."""
    gives: dict[uuid.UUID, set[uuid.UUID]] = {}
    rows = HandOver.objects.filter(from_job__in=partners([job.pk]), state=HandOver.State.PROMISED, hold=None)
    for giver, taker in rows.values_list("from_job_id", "to_job_id"):
        gives.setdefault(giver, set()).add(taker)
    reached: set[uuid.UUID] = set()
    ahead = set(gives.get(job.pk, ()))
    while ahead:
        reached |= ahead
        ahead = {taker for giver in ahead for taker in gives.get(giver, ())} - reached
    if job.pk in reached:
        raise WrongState(
            f"{job} stays on the bench: it and another engine wait for each other's shims. "
            "Hand them over first, or release its plan.",
            extra={"state": str(job.state)},
        )


def out_of(job: Job) -> dict[str, HandOver]:
    """By label, what was taken out of the job's engine by a hand-over and not put back, before its fit."""
    rows = HandOver.objects.filter(from_job=job, out=True, from_round=job.round).select_related("to_job")
    return {row.from_label: row for row in rows}


def to_come(plan_ids: Iterable[uuid.UUID]) -> dict[uuid.UUID, frozenset[str]]:
    """By plan, labels of valves whose shim is promised and still in another engine."""
    found: dict[uuid.UUID, set[str]] = {}
    rows = HandOver.objects.filter(plan__in=list(plan_ids), state=HandOver.State.PROMISED, hold=None)
    for plan_id, label in rows.values_list("plan_id", "to_label"):
        found.setdefault(plan_id, set()).add(label)
    return {plan_id: frozenset(labels) for plan_id, labels in found.items()}


def end_with_fit(job: Job, plan: Plan, *, as_planned: Collection[str], at: datetime) -> None:
    """The locked job is fitted: what it got is in its valves; what it did not use is no longer promised."""
    for row in _live(HandOver.objects.filter(plan=plan)):
        if row.state == HandOver.State.HANDED_OVER and row.to_label in as_planned:
            row.state = HandOver.State.FITTED
            row.save(update_fields=["state"])
        else:
            _end(row, f"Something else was fitted in {row.to_label} of {job}.")


def hold_what_was_pulled(
    job: Job, *, pulled: Collection[str], used: Collection[str], actor: Actor, at: datetime
) -> list[Job]:
    """The locked job is fitted: the shims that it gives lie in its tray now, and are held there for those
    who get them. `used`: valves whose own shim went elsewhere after all. Returns the jobs that lose one."""
    losers = []
    rows = HandOver.objects.filter(from_job=job, from_round=job.round, hold=None).exclude(from_label="")
    for row in _live(rows.filter(state=HandOver.State.PROMISED)):
        if row.from_label in used:
            _end(row, f"It was fitted in {job} itself.")
            losers.append(row.to_job)
        elif row.from_label in pulled:
            row.hold = hold_in_tray(
                site=job.site,
                actor=actor,
                at=at,
                tray=job.tray,
                shim=shim_of(row, job),
                job_id=row.to_job_id,
                reference=str(row.to_job),
                label=row.to_label,
            )
            row.save(update_fields=["hold"])
    return losers


def shim_of(row: HandOver, job: Job) -> OneShim:
    return OneShim(family_id=job.family_id, thickness_nm=row.thickness_nm, condition=row.condition)


def instruction(row: HandOver) -> str:
    """The instruction, one sentence; both jobs with their bays."""
    verb = "Take" if row.state == HandOver.State.PROMISED else "Taken:"
    return f"{verb} {what(row)} from {where(row.from_job)} to {where(row.to_job)} for {row.to_label}."


def what(row: HandOver) -> str:
    """ "the 2.650 mm shim of 3-EX-R"."""
    source = f"of {row.from_label}" if row.from_label else "in the tray"
    return f"the {show(row.thickness_nm)} mm shim {source}"


def where(job: Job) -> str:
    """Where people find the job: its bay, else its number."""
    return f"bay {job.bay.number} ({job})" if job.bay else str(job)


def _live(rows) -> list[HandOver]:
    return list(
        rows.filter(state__in=LIVE)
        .select_for_update(of=("self",))
        .select_related("hold", "from_job__tray", "from_job__bay", "from_job__site", "from_job__family")
        .select_related("to_job__tray", "to_job__bay", "to_job__site", "to_job__family")
        .order_by("pk")
    )


def _end(row: HandOver, because: str) -> None:
    row.state = HandOver.State.RELEASED
    row.ended_because = cut(because, HandOver, "ended_because")
    row.save(update_fields=["state", "ended_because"])


def _bring_back(row: HandOver, taker: Job, actor: Actor, at: datetime, because: str) -> None:
    """Out of the taker's tray: into the valve that it came out of, else into the giver's tray; it stays where
    it is once the giver is closed, and goes the way of that tray."""
    giver = row.from_job
    target: Place
    if row.out and giver.round == row.from_round and giver.state not in _CLOSED:
        target = place_of(giver.site, PlaceKind.ENGINE)
    elif giver.state in _CLOSED:
        release_hold(hold=row.hold, actor=actor, at=at, note=because)
        return
    else:
        target = giver.tray
    try:
        take_back_shim(
            site=giver.site,
            actor=actor,
            at=at,
            tray=taker.tray,
            target=target,
            shim=shim_of(row, giver),
            hold=row.hold,
            job_id=giver.pk,
            document=f"{taker} to {giver}",
            note=because,
        )
    except Conflict:
        release_hold(hold=row.hold, actor=actor, at=at, note=because)
        return
    if row.out:
        row.out = False
        row.save(update_fields=["out"])
    note_event(
        giver,
        HAND_OVER,
        by=actor.label,
        at=at,
        text=f"{what(row)} came back from {where(taker)}: {because}".replace("the ", "The ", 1),
    )


def _changed(job: Job, act: str, by: str, at: datetime, said: str) -> None:
    job.version += 1
    job.save(update_fields=["version"])
    note_event(job, act, by=by, at=at, text=said[:1].upper() + said[1:])
