"""How many shims of a size there are, beside how many a site wants to keep."""

import uuid
from collections import defaultdict
from collections.abc import Iterable

from django.db.models import F, Sum

from inventory.compute.sizes import nearest_size
from inventory.models import Balance, PlaceKind, StockMinimum
from inventory.selectors.stock import PLANNABLE
from shop.models import Site


def with_available(sizes: Iterable[StockMinimum]) -> list[tuple[StockMinimum, int]]:
    """Each with what is available of it in its site's bins, new and used together. A used shim counts at the
    made size that is nearest to what it measures, as in the mix. The rows' families are loaded."""
    rows = list(sizes)
    ranges = {row.family_id: row.family.range for row in rows}
    lots = (
        Balance.objects.filter(
            site__in={row.site_id for row in rows},
            family__in=ranges,
            place__kind=PlaceKind.BIN,
            condition__in=PLANNABLE,
            on_hand__gt=0,
        )
        .order_by()
        .values_list("site", "family", "thickness_nm")
        .annotate(available=Sum(F("on_hand") - F("held")))
    )
    there: dict[tuple[uuid.UUID, uuid.UUID, int], int] = defaultdict(int)
    for site, family, nm, available in lots:
        there[site, family, nearest_size(ranges[family], nm)] += available
    return [(row, there[_key(row)]) for row in rows]


def to_tell(site: Site) -> list[tuple[StockMinimum, int]]:
    """The sizes that have just run low, or no longer are, with what is available of each."""
    watched = StockMinimum.objects.filter(site=site).select_related("site", "family").order_by("id")
    return [
        (row, available)
        for row, available in with_available(watched)
        if (available < row.minimum) != (row.low_since is not None)
    ]


def _key(row: StockMinimum) -> tuple[uuid.UUID, uuid.UUID, int]:
    return row.site_id, row.family_id, row.thickness_nm
