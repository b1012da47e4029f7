"""A site's fixed places, made with the site."""

from inventory.models import ChainHead, Place, PlaceKind
from shop.db import write_transaction
from shop.models import Site

FIXED_PLACES = {
    PlaceKind.RECEIVING: "receiving",
    PlaceKind.INSPECTION: "inspection",
    PlaceKind.TRANSIT: "transit",
    PlaceKind.SUPPLIER: "supplier",
    PlaceKind.ENGINE: "engines",
    PlaceKind.SCRAP: "scrap",
    PlaceKind.DIFFERENCE: "difference",
}


@write_transaction
def open_site(*, code: str, name: str, time_zone: str = "UTC") -> Site:
    """A new workshop with its fixed places and an empty chain; bins and trays are added after."""
    site = Site.objects.create(code=code, name=name, time_zone=time_zone)
    Place.objects.bulk_create(Place(site=site, kind=kind, code=label) for kind, label in FIXED_PLACES.items())
    ChainHead.objects.create(site=site)
    return site
