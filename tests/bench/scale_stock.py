"""A lot to look at: one of those that are there, or a few new shims in a new bin."""

from datetime import timedelta

from django.utils import timezone

from inventory.models import Balance, Condition, PlaceKind, ShimFamily
from inventory.services.catalogue import add_bin
from inventory.services.floor import Shims, receive_shims
from shop.actor import service_actor
from shop.models import Site

MOST_LOTS = 100
LONG_AGO = timedelta(days=400)


def some_stock(site: Site) -> list[Balance]:
    """Balances of new shims in bins of the site, one at least, together 100 shims at least."""
    lots = Balance.objects.filter(
        site=site, place__kind=PlaceKind.BIN, condition=Condition.NEW, on_hand__gte=5
    )
    if not lots.exists():
        family = ShimFamily.objects.order_by("code")[0]
        # With a past like the large sites' own: what is due to be counted asks about that too.
        by = {"site": site, "actor": service_actor(), "at": timezone.now() - LONG_AGO}
        place = add_bin(**by, code="A1", cabinet="A", row=1, column=1)
        shims = Shims(
            family=family, thickness_nm=family.min_nm, condition=Condition.NEW, quantity=100, place=place
        )
        receive_shims(**by, shims=[shims])
    return list(lots.select_related("place", "family").order_by("id")[:MOST_LOTS])
