"""The cases of tests/api/writes.py about needs by hand, terms, price lists, rates and claims."""

from inventory.models import StockMinimum, SupplierClaim
from tests.api.cases import case
from tests.api.world import World, length

CURRENCIES = ("SEK", "NOK", "DKK", "CHF", "GBP", "PLN", "CZK", "HUF", "USD", "CAD", "AUD", "JPY")


def claimed(world: World):
    """An open claim for one shim that was not in the parcel."""
    bought = world.bought()
    path = f"/purchase-lists/{bought['id']}"
    line = {"line": bought["lines"][0]["id"], "quantity": 0, "short": 1}
    world.program.act(f"{path}/receive", {"document": "note 8", "lines": [line]})
    return SupplierClaim.objects.filter(site=world.site).latest("opened_at")


@case("add_needs")
def add_needs(world: World):
    return "/needs", {
        "family": world.family,
        "thickness": length("2.700"),
        "quantity": 2,
        "needed_by": "2030-01-05T09:00:00Z",
        "note": "for the van",
    }


@case("add_needs_of_rows")
def add_needs_of_rows(world: World):
    _, row = add_needs(world)
    return "/needs/bulk", {"rows": [row, {"family": world.family, "thickness": length("2.725")}]}


@case("set_stock_minimum")
def set_stock_minimum(world: World):
    return "/stock-minimums", minimum_row(world, 2_000 + 25 * StockMinimum.objects.count())


def minimum_row(world: World, micrometres: int, minimum: int = 3):
    """Each time for another size, so that each is a new row."""
    thickness = length(f"{micrometres // 1000}.{micrometres % 1000:03d}")
    return {"family": world.family, "thickness": thickness, "minimum": minimum}


@case("set_stock_minimums")
def set_stock_minimums(world: World):
    _, row = set_stock_minimum(world)
    other = minimum_row(world, 3_200 - 25 * StockMinimum.objects.count(), minimum=0)
    return "/stock-minimums/bulk", {"rows": [row, other]}


@case("restock")
def restock(world: World):
    world.program.done(*set_stock_minimum(world))
    return "/needs/restock", {}


@case("open_claim")
def open_claim(world: World):
    bought = world.bought()
    line = bought["lines"][0]["id"]
    came = {"lines": [{"line": line, "quantity": 2, "bin": world.bin("2.700"), "over": 1}]}
    world.program.act(f"/purchase-lists/{bought['id']}/receive", came)
    (receipt,) = world.program.get(f"/receipts?purchase_list={bought['id']}").json()["items"]
    return "/supplier-claims", {
        "receipt": receipt["id"],
        "line": line,
        "kind": "over",
        "quantity": 1,
        "reason": "one more than ordered",
    }


@case("settle_claim")
def settle_claim(world: World):
    body = {"outcome": "credited", "amount": "3.40", "note": "credit note 88"}
    return f"/supplier-claims/{claimed(world).pk}/settle", body


@case("set_terms")
def set_terms(world: World):
    return "/suppliers/norrbeck/terms", {
        "currency": "EUR",
        "minimum_value": "25.00",
        "minimum_pieces": 5,
        "delivery_fee": f"{next(world.numbers)}.50",
        "free_from": "80.00",
        "cut_off": "14:30",
        "lead_days": 3,
        "holidays": ["2030-12-25"],
        "email": "orders@norrbeck.example",
        "our_number": "K 17",
    }


@case("set_part_prices")
def set_part_prices(world: World):
    row = {
        "part_number": f"S-{next(world.numbers)}",
        "family": world.family,
        "thickness": length("2.700"),
        "price": "3.10",
        "valid_from": "2026-01-01",
        "valid_to": "2099-12-31",
        "pack": 5,
        "lead_days": 3,
    }
    more = row | {"from_packs": 4, "price": "2.90"}
    return "/suppliers/norrbeck/part-prices", {"rows": [row | {"incremental": False}, more]}


@case("set_rate")
def set_rate(world: World):
    return "/exchange-rates", {
        "currency": CURRENCIES[next(world.numbers) % len(CURRENCIES)],
        "rate": f"0.0{next(world.numbers)}",
    }
