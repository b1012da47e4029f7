"""Who holds what: the board of open holds, and the promises on one lot."""

import uuid
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db.models import F, Q, QuerySet

from inventory.models import Hold, HoldLine, HoldTakeOver, Need, Place, ShimFamily
from inventory.selectors.overdue import is_overdue
from inventory.services.hold_times import STILL_TO_COME
from inventory.services.ledger import ShimKey
from shop.models import Site


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldFor:
    """One open hold on the board.

    overdue: its time is over, though no sweep has come by yet: its shims are free for others.
    waits: its job waits for shims that are to be bought, so that it stands longer than others.
    """

    hold: Hold
    lines: Sequence[HoldLine]
    overdue: bool
    waits: bool = False

    @property
    def quantity(self) -> int:
        return sum(line.quantity for line in self.lines)

    @property
    def handed_out(self) -> bool:
        return self.hold.handed_out_at is not None


def holds(
    site: Site,
    *,
    state: str | None = None,
    job_id: uuid.UUID | None = None,
    reference: str = "",
    created_by: str = "",
    place: Place | None = None,
) -> QuerySet[Hold]:
    """Holds of the site with their lines, newest first. `reference` and `created_by`: parts of them."""
    rows = Hold.objects.filter(site=site)
    if state is not None:
        rows = rows.filter(state=state)
    if job_id is not None:
        rows = rows.filter(job_id=job_id)
    if reference:
        rows = rows.filter(reference__icontains=reference)
    if created_by:
        rows = rows.filter(created_by__icontains=created_by)
    if place is not None:
        rows = rows.filter(pk__in=HoldLine.objects.filter(place=place).values("hold"))
    return rows.prefetch_related("lines__place", "lines__taken_from", "lines__family").order_by(
        "-created_at", "-id"
    )


def open_holds(
    site: Site, *, family: ShimFamily | None = None, place: Place | None = None, holder: str = ""
) -> QuerySet[Hold]:
    """Open holds, the one that runs out first on top, those that are handed out at the end.

    family: with shims of it. place: with shims that lie in this bin or tray, or were taken from this bin.
    holder: a part of what they are held for, or of who made them.
    """
    rows = holds(site, state=Hold.State.HELD)
    if family is not None:
        rows = rows.filter(pk__in=HoldLine.objects.filter(family=family).values("hold"))
    if place is not None:
        lines = HoldLine.objects.filter(Q(place=place) | Q(taken_from=place))
        rows = rows.filter(pk__in=lines.values("hold"))
    if holder:
        rows = rows.filter(Q(reference__icontains=holder) | Q(created_by__icontains=holder))
    return rows.order_by(F("expires_at").asc(nulls_last=True), "created_at", "pk")


def held_for(rows: Iterable[Hold], *, at: datetime) -> list[HeldFor]:
    """The holds as the board shows them; asked once for all of them whose jobs wait for a purchase."""
    found = list(rows)
    jobs = {hold.job_id for hold in found if hold.job_id}
    waiting = set(
        Need.objects.filter(job_id__in=jobs, state__in=STILL_TO_COME).values_list("job_id", flat=True)
    )
    return [
        HeldFor(
            hold=hold,
            lines=list(hold.lines.all()),
            overdue=is_overdue(hold, at),
            waits=hold.job_id in waiting,
        )
        for hold in found
    ]


def hold_board(site: Site, *, at: datetime) -> list[HeldFor]:
    """Every open hold, as `open_holds` orders them."""
    return held_for(open_holds(site), at=at)


def taken_from_job(job_id: uuid.UUID) -> QuerySet[HoldTakeOver]:
    """What was held for a job and was taken over for somebody else, the last one first."""
    rows = HoldTakeOver.objects.filter(hold__job_id=job_id).select_related("hold", "taken")
    return rows.prefetch_related("taken__lines").order_by("-id")


def lines_on(key: ShimKey) -> list[HoldLine]:
    """The open promises on one balance, the oldest first."""
    return list(
        HoldLine.objects.filter(
            hold__state=Hold.State.HELD,
            place_id=key.place_id,
            family_id=key.family_id,
            thickness_nm=key.thickness_nm,
            condition=key.condition,
        )
        .select_related("hold")
        .order_by("hold__created_at", "hold_id", "position")
    )


def open_lines_in(places: Collection[uuid.UUID]) -> list[HoldLine]:
    """The open promises on whatever lies in these places, the oldest first."""
    return list(
        HoldLine.objects.filter(hold__state=Hold.State.HELD, place__in=places)
        .select_related("hold")
        .order_by("hold__created_at", "hold_id", "position")
    )
