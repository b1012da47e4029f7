"""The history of a place, a job or a site, newest first."""

import uuid

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
