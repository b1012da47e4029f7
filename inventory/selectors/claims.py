"""Claims to suppliers as pages and programs read them."""

from collections.abc import Collection
from uuid import UUID

from django.db.models import QuerySet

from inventory.models import SupplierClaim


def claims_of(sites: Collection[UUID]) -> QuerySet[SupplierClaim]:
    """The claims of these sites, the latest first, with what each is about."""
    return SupplierClaim.objects.filter(site__in=sites).select_related(
        "site",
        "supplier",
        "supplier_return",
        "receipt_line__receipt__purchase_list",
        "receipt_line__line__family",
    )
