"""How many shims of a size there are, beside how many a site wants to keep."""

import uuid
from collections.abc import Iterable

from django.db.models import F, Sum

from inventory.models import Balance, PlaceKind, StockMinimum
from inventory.selectors.stock import PLANNABLE
from shop.models import Site


def with_available(sizes: Iterable[StockMinimum]) -> list[tuple[StockMinimum, int]]:
    """Each with what is available of exactly this thickness in its site's bins, new and used together."""
    rows = list(sizes)
    there = {
        (row["site"], row["family"], row["thickness_nm"]): row["available"]
        for row in Balance.objects.filter(
            site__in={row.site_id for row in rows},
            family__in={row.family_id for row in rows},
            thickness_nm__in={row.thickness_nm for row in rows},
            place__kind=PlaceKind.BIN,
            condition__in=PLANNABLE,
        )
        .values("site", "family", "thickness_nm")
        .annotate(available=Sum(F("on_hand") - F("held")))
    }
    return [(row, there.get(_key(row), 0)) for row in rows]


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
