"""Choosing lots of a family on a page: what is shown, and the form over it."""

from collections.abc import Collection
from typing import Any

from inventory.models import Balance, PlaceKind
from inventory.selectors.stock import takeable
from inventory.ui.lot_forms import MOST_SHOWN, ChooseForm
from shop.models import Site
from shop.pages.people import PageRequest


def chosen_lots(
    request: PageRequest,
    site: Site,
    condition: str | None = None,
    kinds: Collection[PlaceKind] = (PlaceKind.BIN, PlaceKind.RECEIVING),
) -> tuple[list[Balance], dict[str, Any]]:
    """The lots that the page's address asks for, and what its template says of them: the form that chooses,
    and whether there are more than are shown."""
    choose = ChooseForm(request.GET if "family" in request.GET else None)
    if not choose.is_bound or not choose.is_valid():
        return [], {"choose": choose, "more": False}
    keyed = choose.cleaned_data
    rows = takeable(
        site,
        keyed["family"],
        min_nm=keyed["thinnest"].nm if keyed["thinnest"] else None,
        max_nm=keyed["thickest"].nm if keyed["thickest"] else None,
        condition=condition,
        kinds=kinds,
    )
    lots = list(rows[: MOST_SHOWN + 1])
    return lots[:MOST_SHOWN], {"choose": choose, "more": len(lots) > MOST_SHOWN}
