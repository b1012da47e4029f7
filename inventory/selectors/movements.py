"""The history of a place, a job or a site, newest first."""

import uuid
from collections.abc import Iterable

from django.db.models import QuerySet

from inventory.models import Movement, MovementLine, Place
from shop.models import Site


def movements(
    site: Site, *, job_id: uuid.UUID | None = None, reason: str | None = None
) -> QuerySet[Movement]:
    """Sealed movements of the site with their lines."""
    rows = Movement.objects.filter(site=site, seal__isnull=False)
    if job_id is not None:
        rows = rows.filter(job_id=job_id)
    if reason is not None:
        rows = rows.filter(reason=reason)
    return rows.prefetch_related("lines__place", "lines__family").order_by("-seq")


def history_of_place(place: Place) -> QuerySet[MovementLine]:
    """Everything that went into or out of a place."""
    return (
        MovementLine.objects.filter(place=place, movement__seal__isnull=False)
        .select_related("movement", "family")
        .order_by("-id")
    )


def job_of_tray(tray: Place) -> uuid.UUID | None:
    """The job that last moved anything into or out of a tray; None for a tray that was never used."""
    return (
        MovementLine.objects.filter(place=tray, movement__seal__isnull=False, movement__job_id__isnull=False)
        .order_by("-id")
        .values_list("movement__job_id", flat=True)
        .first()
    )


def origin_of(movement: Movement) -> tuple[Movement, bool]:
    """The movement that began it where this one is a reversal, or a reversal of one, and so on; and whether
    this one undoes it. Itself and False where it reverses nothing."""
    undoes = False
    while movement.reverses is not None:
        movement, undoes = movement.reverses, not undoes
    return movement, undoes


def undone_among(movements: Iterable[int]) -> dict[int, Movement]:
    """Of these movements, by their numbers, those that are undone as the books stand, with what undid them: a
    reversal that was reversed itself undoes nothing. As many queries as reversals follow on one another."""
    first: dict[int, int] = {number: number for number in movements}
    undone: dict[int, Movement] = {}
    last, undoes = list(first), True
    while last:
        found = list(Movement.objects.filter(reverses__in=last))
        for movement in found:
            began = first[movement.seq] = first[movement.reverses_id or 0]
            if undoes:
                undone[began] = movement
            else:
                undone.pop(began, None)
        last, undoes = [movement.seq for movement in found], not undoes
    return undone
