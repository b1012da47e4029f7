"""The cases of tests/api/writes.py about what stands still: families, engines, vehicles, suppliers, keys."""

from tests.api.cases import case
from tests.api.world import World, length, thou


@case("add_family")
def add_family(world: World):
    return "/shim-families", {
        "code": f"cap9-{next(world.numbers)}",
        "name": "9 mm cap",
        "form": "cap",
        "marking": "thousandths",
        "diameter": length("9.48"),
        "min": length("1.500"),
        "max": length("2.500"),
        "step": length("0.025"),
    }


@case("change_family")
def change_family(world: World):
    return f"/shim-families/{world.family}", {"name": f"29 mm disc, {next(world.numbers)}"}


@case("add_engine_type")
def add_engine_type(world: World):
    return "/engine-types", {
        "code": f"single-{next(world.numbers)}",
        "name": "Single",
        "cylinders": 1,
        "intake_per_cylinder": 2,
        "exhaust_per_cylinder": 1,
        "family": world.family,
        "intake": {"min": thou("6"), "max": thou("10"), "aim": thou("8")},
        "exhaust": {"min": length("0.25"), "max": length("0.35")},
        "spec_source": "workshop sheet 4, invented",
        "lash_ratio": "1.5",
        "items": [{"name": "cover gasket", "quantity": "1"}],
    }


@case("change_engine_type")
def change_engine_type(world: World):
    code = world.program.done(*add_engine_type(world))["code"]
    return f"/engine-types/{code}", {
        "name": "Another single",
        "intake": {"min": thou("5"), "max": thou("9")},
        "spec_source": "bulletin 3, invented",
        "lash_ratio": "1.25",
        "items": [{"name": "cover seal", "quantity": "2", "note": "soak it"}],
    }


@case("add_supplier")
def add_supplier(world: World):
    return "/suppliers", {
        "code": f"far-{next(world.numbers)}",
        "name": "Far Away Parts",
        "lead_days": 4,
        "offers": [{"family": world.family, "price": "2.95", "currency": "EUR"}],
    }


@case("change_supplier")
def change_supplier(world: World):
    offers = [{"family": world.family, "price": "3.10", "currency": "EUR"}]
    return "/suppliers/norrbeck", {"name": "Norrbeck & Son", "lead_days": 3, "offers": offers}


@case("enter_vehicle")
def enter_vehicle(world: World):
    return "/vehicles", {
        "registration": f"NEW {next(world.numbers)}",
        "description": "red tourer",
        "engine_type": world.shop.engine.code,
    }


@case("enter_vehicles")
def enter_vehicles(world: World):
    _, row = enter_vehicle(world)
    unlisted = {"registration": f"NEW {next(world.numbers)}", "description": "grey van", "note": "each May"}
    return "/vehicles/bulk", {"rows": [row, unlisted]}


@case("change_vehicle")
def change_vehicle(world: World):
    return f"/vehicles/{world.vehicle()['id']}", {"description": "green tourer", "note": "new engine"}


@case("issue_key")
def issue_key(world: World):
    return "/keys", {
        "name": f"calculator {next(world.numbers)}",
        "sites": ["north"],
        "scopes": ["read", "plan"],
        "requests_per_minute": 60,
        "expires_at": "2090-01-05T09:00:00Z",
    }


@case("revoke_key")
def revoke_key(world: World):
    return f"/keys/{world.program.done(*issue_key(world))['id']}/revoke", {}
