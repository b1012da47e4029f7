"""Every read of stock against the plain dictionaries, for the state machine."""

from inventory.selectors.stock import available_lots, content, count_by_thickness, stock
from tests.inventory.stock_model import OUTSIDE


def look_at_every_read(shop, model, low, high, condition, code, by_family):
    """Every read with its filters, alone and together, says what the dictionaries say."""
    inside = {
        (place, nm, c): counts
        for (place, nm, c), counts in model.balances().items()
        if place not in OUTSIDE and counts[0]
    }
    rows = stock(
        shop.site,
        family=shop.family if by_family else None,
        min_nm=low,
        max_nm=high,
        condition=condition,
        bin_code=code,
    )
    assert {(row.place.code, row.thickness_nm, row.condition): (row.on_hand, row.held) for row in rows} == {
        (place, nm, c): counts
        for (place, nm, c), counts in inside.items()
        if place.startswith("A")
        and (low is None or nm >= low)
        and (high is None or nm <= high)
        and condition in (None, c)
        and code in (None, place)
    }
    lots = available_lots(shop.site, shop.family)
    assert {(row.place.code, row.thickness_nm, row.condition) for row in lots} == {
        (place, nm, c)
        for (place, nm, c), (on_hand, held) in inside.items()
        if place.startswith("A") and c != "unmeasured" and on_hand > held
    }
    for kind, name in (("receiving", "receiving"), ("inspection", "inspection"), ("tray", "T1")):
        there = {(row.thickness_nm, row.condition): row.on_hand for row in content(shop.site, kind)}
        assert there == {(nm, c): on for (place, nm, c), (on, _) in inside.items() if place == name}
    by_size = {count.size_nm: count for count in count_by_thickness(shop.site, shop.family)}
    for nm in {nm for _, nm, _ in inside}:
        expected = {
            c: sum(on for (place, n, cc), (on, _) in inside.items() if (n, cc) == (nm, c) and place[0] == "A")
            for c in ("new", "used")
        }
        counted = by_size.get(nm)
        assert (counted.new if counted else 0, counted.used if counted else 0) == (
            expected["new"],
            expected["used"],
        )
