"""Places of a site: the one of each fixed kind, bins, trays, and the bin that a thickness belongs to."""

from django.db.models import F, QuerySet, Sum
from django.db.models.functions import Abs, Coalesce

from inventory.compute.sizes import grade_of
from inventory.models import Place, PlaceKind, ShimFamily
from shop.errors import NotFound
from shop.models import Site


def place_of(site: Site, kind: PlaceKind) -> Place:
    """The site's one place of a kind that is neither bin nor tray."""
    return Place.objects.get(site=site, kind=kind)


def bin_of(site: Site, code: str) -> Place:
    """A bin in use by its code. Raises NotFound."""
    found = Place.objects.filter(site=site, kind=PlaceKind.BIN, code=code, retired_at=None).first()
    if found is None:
        raise NotFound(f"There is no bin {code} at {site.name}.")
    return found


def bins(site: Site) -> QuerySet[Place]:
    """The site's bins in use, in the order of the cabinet."""
    return (
        Place.objects.filter(site=site, kind=PlaceKind.BIN, retired_at=None)
        .select_related("family")
        .order_by("cabinet", "row", "column", "code")
    )


def retired_bins(site: Site) -> QuerySet[Place]:
    """The site's bins that are out of use, the last retired first."""
    return Place.objects.filter(site=site, kind=PlaceKind.BIN, retired_at__isnull=False).order_by(
        "-retired_at", "code"
    )


def empty_trays(site: Site) -> QuerySet[Place]:
    """Trays with nothing in them, lowest first; whether a job has taken one is the job's business."""
    return (
        Place.objects.filter(site=site, kind=PlaceKind.TRAY, retired_at=None)
        .annotate(content=Coalesce(Sum("balances__on_hand"), 0))
        .filter(content=0)
        .order_by("code")
    )


def bin_for(site: Site, family: ShimFamily, thickness_nm: int) -> Place | None:
    """Where a shim of this thickness belongs: the bin of its grade, else the family's nearest bin by size,
    thinner first; None where the family has no bin here."""
    grade = grade_of(family.range, thickness_nm)
    return (
        bins(site)
        .filter(family=family)
        .annotate(distance=Abs(F("size_nm") - grade))
        .order_by(F("distance").asc(nulls_last=True), "size_nm", "code")
        .first()
    )
