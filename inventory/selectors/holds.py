"""Who holds what: the board of open holds, and the promises on one lot."""

import uuid
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db.models import QuerySet

from inventory.models import Hold, HoldLine, Place
from inventory.services.ledger import ShimKey
from shop.models import Site


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldFor:
    """One open hold on the board.

    overdue: its time is over, though no sweep has come by yet: its shims are free for others.
    """

    hold: Hold
    lines: Sequence[HoldLine]
    overdue: bool

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


def hold_board(site: Site, *, at: datetime) -> list[HeldFor]:
    """Every open hold, the one that runs out first on top, those that are handed out at the end."""
    rows = sorted(
        holds(site, state=Hold.State.HELD),
        key=lambda hold: (hold.expires_at is None, hold.expires_at or hold.created_at, hold.pk),
    )
    return [
        HeldFor(
            hold=hold,
            lines=list(hold.lines.all()),
            overdue=hold.expires_at is not None and hold.expires_at <= at,
        )
        for hold in rows
    ]


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
