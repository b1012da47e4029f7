"""Parcels between sites, as either of the two sees them."""

from django.db.models import Q, QuerySet

from inventory.models import Transfer
from shop.models import Site


def transfers(site: Site, *, state: str | None = None, coming: bool | None = None) -> QuerySet[Transfer]:
    """Transfers from and to the site with their lines, newest first. `coming`: True for those to it, False
    for those from it."""
    rows = Transfer.objects.filter(Q(source=site) | Q(target=site))
    if coming is not None:
        rows = rows.filter(target=site) if coming else rows.filter(source=site)
    if state is not None:
        rows = rows.filter(state=state)
    return (
        rows.select_related("source", "target")
        .prefetch_related("lines__family", "lines__taken_from", "movements__movement")
        .order_by("-sent_at", "-id")
    )


def other_sites(site: Site) -> QuerySet[Site]:
    """Where shims can be sent: every other site of the shop, by code. Whoever may send sees their names, and
    nothing else of them."""
    return Site.objects.exclude(pk=site.pk).order_by("code")
