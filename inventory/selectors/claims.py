"""Claims to suppliers as pages and programs read them."""

from collections import defaultdict
from collections.abc import Collection, Mapping
from uuid import UUID

from django.db.models import QuerySet

from inventory.models import SupplierClaim
from shop.models import Site

NOT_IN_INSPECTION = (SupplierClaim.Kind.SHORT, SupplierClaim.Kind.OVER, SupplierClaim.Kind.OTHER)


def claims_of(sites: Collection[UUID]) -> QuerySet[SupplierClaim]:
    """The claims of these sites, the latest first, with what each is about."""
    return SupplierClaim.objects.filter(site__in=sites).select_related(
        "site",
        "supplier",
        "supplier_return",
        "receipt_line__receipt__purchase_list",
        "receipt_line__line__family",
    )


def claimed_in_inspection(site: Site) -> Mapping[tuple[UUID, int], list[SupplierClaim]]:
    """Open claims over new shims that came and were not sent back yet, so that they lie in inspection, by
    family and thickness. Not those by hand: nothing moved by them, and their shims mostly lie in a bin. One
    query."""
    found: dict[tuple[UUID, int], list[SupplierClaim]] = defaultdict(list)
    for claim in (
        claims_of([site.pk])
        .filter(state=SupplierClaim.State.OPEN, supplier_return=None, reason="")
        .exclude(kind__in=NOT_IN_INSPECTION)
    ):
        row = claim.receipt_line
        of_another_size = claim.kind == SupplierClaim.Kind.WRONG_SIZE and row.wrong_nm is not None
        found[row.line.family_id, row.wrong_nm if of_another_size else row.line.thickness_nm].append(claim)
    return found
