"""Everything that ever happened to a bin, a size, a job or by a person, in one list, the newest first.

The ledger is one source of several: counts, holds, inspections, and what was done to the bins themselves.
"""

import uuid
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from typing import Any

from django.db.models import Exists, OuterRef, Q, QuerySet

from inventory.compute.lengths import MAX_NM, show
from inventory.models import (
    BinCount,
    Condition,
    Hold,
    HoldLine,
    Inspection,
    MovementLine,
    Need,
    Place,
    PlaceEvent,
    ShimFamily,
    Tally,
)
from inventory.selectors.happenings import Happening, Source, Story
from inventory.selectors.history import HistoryFilter, history
from inventory.selectors.overdue import as_it_is
from shop.models import Site, User


def story_of_bin(place: Place, *, at: datetime) -> Story:
    """What went through a bin, and what happened to itself; a retired one's as well.

    at: of the look, here and below; a hold whose time is over by then has ended, swept or not.
    """
    lines = _lines(place.site, HistoryFilter(place=place))
    counts = BinCount.objects.filter(place=place)
    hold_lines = HoldLine.objects.filter(Q(place=place) | Q(taken_from=place))
    return Story(
        sources=(
            _from("movement", "movement__at", _line, lines),
            _from("bin", "at", _place_event, PlaceEvent.objects.filter(place=place).order_by("-id")),
            _from(
                "count",
                "opened_at",
                _opened_count,
                counts.select_related("place").order_by("-opened_at", "-number"),
            ),
            _from("count", "approved_at", _approved_count, _approved(counts)),
            _from("count", "closed_at", _closed_count, _closed(counts)),
            _from("count", "keyed_at", _tally, _tallies(Tally.objects.filter(count__place=place))),
            *_holds(Hold.objects.filter(pk__in=hold_lines.values("hold")), at),
        ),
    )


def story_of_size(site: Site, family: ShimFamily, size_nm: int | None, *, at: datetime) -> Story:
    """What happened to the shims of one grade at a site, all that are nearest to this size; None: of all."""
    # As `nearest_size` has it: a shim halfway between two sizes is of the thinner one, and the outermost
    # sizes take what lies outside the range.
    lowest, highest = 0, MAX_NM
    if size_nm is not None and size_nm != family.min_nm:
        lowest = size_nm - (family.step_nm - 1) // 2
    if size_nm is not None and size_nm != family.max_nm:
        highest = size_nm + family.step_nm // 2
    wanted = HistoryFilter(family=family, thinnest_nm=lowest, thickest_nm=highest)
    within = {"family": family, "thickness_nm__gte": lowest, "thickness_nm__lte": highest}
    inspections = Inspection.objects.filter(site=site, **within).select_related("family")
    holds = Hold.objects.filter(site=site, pk__in=HoldLine.objects.filter(**within).values("hold"))
    return Story(
        sources=(
            _from("movement", "movement__at", _line, _lines(site, wanted)),
            _from("inspection", "at", _inspection, inspections.order_by("-at", "-id")),
            *_holds(holds, at),
        ),
    )


def story_of_job(site: Site, job_id: uuid.UUID, *, at: datetime) -> Story:
    """What a job did to the stock: its movements, holds and needs. Its readings and plans are the job's."""
    needs = Need.objects.filter(site=site, job_id=job_id).order_by("-created_at", "-id")
    return Story(
        sources=(
            _from("movement", "movement__at", _line, _lines(site, HistoryFilter(job_id=job_id))),
            _from("need", "created_at", _need, needs),
            *_holds(Hold.objects.filter(site=site, job_id=job_id), at),
        ),
    )


def story_of_person(site: Site, user: User) -> Story:
    """What a person did to the stock of a site, themselves or by a key in their name.

    Holds and inspections carry names only: two people of one name share those.
    """
    inspections = Inspection.objects.filter(_by(user, "by"), site=site).select_related("family")
    opened = BinCount.objects.filter(_by(user, "opened_by"), site=site).select_related("place")
    return Story(
        sources=(
            _from("movement", "movement__at", _line, _lines(site, HistoryFilter(user=user))),
            _from("bin", "at", _place_event_of_many, _place_acts(site, user)),
            _from("count", "opened_at", _opened_count, opened.order_by("-opened_at", "-number")),
            _from(
                "count",
                "approved_at",
                _approved_count,
                _approved(BinCount.objects.filter(_by(user, "approved_by"), site=site)),
            ),
            _from(
                "count",
                "closed_at",
                _closed_count,
                _closed(BinCount.objects.filter(_by(user, "closed_by"), site=site)),
            ),
            _from("count", "keyed_at", _tally, _tallies(Tally.objects.filter(count__site=site, user=user))),
            _from("inspection", "at", _inspection, inspections.order_by("-at", "-id")),
            _from(
                "hold", "created_at", _held, _made(Hold.objects.filter(_by(user, "created_by"), site=site))
            ),
            _from(
                "hold", "resolved_at", _ended, _over(Hold.objects.filter(_by(user, "resolved_by"), site=site))
            ),
        ),
    )


def _place_acts(site: Site, user: User) -> QuerySet[PlaceEvent]:
    """What a person did to bins, each act once: one on two bins stands in the history of both, and who merges
    a bin retires it with that."""
    twins = PlaceEvent.objects.filter(
        place=OuterRef("other"), other=OuterRef("place"), act=OuterRef("act"), at=OuterRef("at")
    )
    events = PlaceEvent.objects.filter(place__site=site, user=user).select_related("place")
    merged = Q(act=PlaceEvent.Act.RETIRE, other__isnull=False)
    return events.exclude(merged).exclude(Exists(twins.filter(pk__gt=OuterRef("pk")))).order_by("-id")


def _lines(site: Site, wanted: HistoryFilter) -> QuerySet[MovementLine]:
    """Lines with what a story tells of them: planning the whole history's joins took longer than reading."""
    return history(site, wanted).select_related(None).select_related("movement", "place")


def _from(kind: str, time: str, tell: Callable[[Any], Happening], rows: QuerySet) -> Source:
    return Source(kind=kind, time=time, rows=rows, tell=tell)


def _by(user: User, field: str) -> Q:
    return Q(**{field: str(user)}) | Q(**{f"{field}__endswith": f"(key of {user})"})


def _closed(counts: QuerySet[BinCount]) -> QuerySet[BinCount]:
    return counts.filter(closed_at__isnull=False).select_related("place").order_by("-closed_at", "-number")


def _approved(counts: QuerySet[BinCount]) -> QuerySet[BinCount]:
    rows = counts.filter(approved_at__isnull=False).select_related("place")
    return rows.order_by("-approved_at", "-number")


def _tallies(tallies: QuerySet[Tally]) -> QuerySet[Tally]:
    rows = tallies.filter(keyed_at__isnull=False).select_related("count__place")
    return rows.order_by("-keyed_at", "-id")


def _made(holds: QuerySet[Hold]) -> QuerySet[Hold]:
    return holds.prefetch_related("lines").order_by("-created_at", "-id")


def _over(holds: QuerySet[Hold]) -> QuerySet[Hold]:
    over = holds.filter(resolved_at__isnull=False).prefetch_related("lines__place")
    return over.order_by("-resolved_at", "-id")


def _holds(holds: QuerySet[Hold], at: datetime) -> list[Source]:
    overdue = holds.filter(state=Hold.State.HELD, expires_at__lte=at).prefetch_related("lines__place")
    return [
        _from("hold", "created_at", _held, _made(holds)),
        _from("hold", "resolved_at", _ended, _over(holds)),
        # As the sweep will leave them, so that a page of the story is the same before and after.
        _from(
            "hold",
            "expires_at",
            lambda hold: _ended(as_it_is(hold, at)),
            overdue.order_by("-expires_at", "-id"),
        ),
    ]


def _line(line: MovementLine) -> Happening:
    movement = line.movement
    condition = Condition(line.condition).label.lower()
    text = f"{line.quantity:+d} × {show(line.thickness_nm)} mm {condition}, {line.place.code}"
    details = ", ".join(part for part in (movement.document, movement.note) if part)
    return Happening(
        at=movement.at,
        kind="movement",
        what=movement.get_reason_display(),
        by=movement.actor,
        text=f"{text}: {details}" if details else text,
        seq=movement.seq,
        movement=movement.uid,
        object_id=f"{line.position:05d}",
    )


def _place_event(event: PlaceEvent) -> Happening:
    return Happening(
        at=event.at,
        kind="bin",
        what=event.get_act_display(),
        by=event.by,
        text=event.text,
        seq=None,
        object_id=f"{event.pk:019d}",
        place=event.place_id,
    )


def _place_event_of_many(event: PlaceEvent) -> Happening:
    """As of one bin, with the bin named: in a merge or split both are."""
    told = _place_event(event)
    if event.act in (PlaceEvent.Act.MERGE, PlaceEvent.Act.SPLIT):
        return told
    return replace(told, text=f"{event.place.code}: {told.text[:1].lower()}{told.text[1:]}")


def _opened_count(count: BinCount) -> Happening:
    return _of_count(count, count.opened_at, "Count asked for", count.opened_by, why=count.why)


def _approved_count(count: BinCount) -> Happening:
    return _of_count(count, count.approved_at or count.opened_at, "Count approved", count.approved_by)


def _closed_count(count: BinCount) -> Happening:
    closed_at, what = count.closed_at or count.opened_at, count.get_state_display()
    return _of_count(count, closed_at, what, count.closed_by, why=count.note, seq=count.movement_id)


def _of_count(
    count: BinCount, at: datetime, what: str, by: str, *, why: str = "", seq: int | None = None
) -> Happening:
    return Happening(
        at=at,
        kind="count",
        what=what,
        by=by,
        text=f"{count} of {count.place.code}" + (f": {why}" if why else ""),
        seq=seq,
        object_id=str(count.pk),
    )


def _tally(tally: Tally) -> Happening:
    return Happening(
        at=tally.keyed_at or tally.started_at,
        kind="count",
        what="Counted",
        by=tally.by,
        text=f"{tally.count} of {tally.count.place.code}",
        seq=None,
        object_id=str(tally.count_id),
    )


def _held(hold: Hold) -> Happening:
    return Happening(
        at=hold.created_at,
        kind="hold",
        what="Held",
        by=hold.created_by,
        text=f"{_shims_of(hold)} for {hold.reference}",
        seq=None,
        object_id=str(hold.pk),
    )


def _ended(hold: Hold) -> Happening:
    note = f": {hold.note}" if hold.note else ""
    return Happening(
        at=hold.resolved_at or hold.created_at,
        kind="hold",
        what=f"Hold {hold.get_state_display().lower()}",
        by=hold.resolved_by,
        text=f"{_shims_of(hold)} for {hold.reference}{_unused(hold)}{note}",
        seq=None,
        object_id=str(hold.pk),
    )


def _unused(hold: Hold) -> str:
    """What of a hold that was fitted did not go in, and where it was left."""
    if hold.state != Hold.State.FITTED:
        return ""
    left = [
        f"{line.quantity - line.fitted} × {show(line.thickness_nm)} mm in {line.place.code}"
        for line in hold.lines.all()
        if line.fitted < line.quantity
    ]
    return f"; not used: {', '.join(left)}" if left else ""


def _shims_of(hold: Hold) -> str:
    return ", ".join(f"{line.quantity} × {show(line.thickness_nm)} mm" for line in hold.lines.all())


def _inspection(inspection: Inspection) -> Happening:
    face = inspection.get_face_display().lower()
    return Happening(
        at=inspection.at,
        kind="inspection",
        what="Inspected",
        by=inspection.by,
        text=f"{inspection.thickness_keyed}, face {face}. {inspection.why}".strip(),
        seq=inspection.movement_id,
        object_id=str(inspection.pk),
    )


def _need(need: Need) -> Happening:
    return Happening(
        at=need.created_at,
        kind="need",
        what=need.get_state_display(),
        by="",
        text=f"{show(need.thickness_nm)} mm for {need.valve_label}",
        seq=None,
        object_id=str(need.pk),
    )
