"""What is known of suppliers as a whole."""

from inventory.models import ExchangeRate, Offer, Supplier
from shop.conf import conf


def without_rate() -> list[str]:
    """The currencies of suppliers and prices that nobody keyed a rate of: they cannot be compared. Three
    queries."""
    used = set(Supplier.objects.order_by().values_list("currency", flat=True).distinct())
    used |= set(Offer.objects.order_by().values_list("currency", flat=True).distinct())
    known = set(ExchangeRate.objects.values_list("currency", flat=True))
    return sorted(used - known - {"", conf.currency})
