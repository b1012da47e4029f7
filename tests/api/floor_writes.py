"""Cases of the writes about bins, transfers, regrading and what goes back to suppliers: see writes.py."""

from tests.api.cases import case
from tests.api.world import World, length


@case("add_bin")
def add_bin(world: World):
    code = f"X{next(world.numbers)}"
    return "/bins", {
        "code": code,
        "cabinet": code,
        "row": 1,
        "column": 1,
        "family": world.family,
        "size": length("2.650"),
        "capacity": 20,
    }


def a_bin(world: World, thickness):
    return f"/bins/{world.shop.bin(thickness).pk}"


def an_empty_bin(world: World):
    return f"/bins/{world.program.done(*add_bin(world))['id']}"


@case("edit_bin")
def edit_bin(world: World):
    return a_bin(world, "2.700"), {"size": None, "capacity": 30 + next(world.numbers)}


@case("relocate_bin")
def relocate_bin(world: World):
    return f"{a_bin(world, '2.700')}/relocate", {"cabinet": "Q", "row": 3, "column": next(world.numbers)}


@case("merge_bins")
def merge_bins(world: World):
    return f"{a_bin(world, world.another_drawer())}/merge", {
        "target": world.bin("2.700"),
        "widen": True,
        "note": "few",
    }


@case("split_bin")
def split_bin(world: World):
    new = {"code": f"S{next(world.numbers)}", "cabinet": "S", "row": 1, "column": next(world.numbers)}
    thickness = world.another_drawer()
    return f"{a_bin(world, thickness)}/split", new | {"family": world.family, "size": length(thickness)}


@case("retire_bin")
def retire_bin(world: World):
    return f"{an_empty_bin(world)}/retire", {"note": "broken"}


@case("restore_bin")
def restore_bin(world: World):
    path = an_empty_bin(world)
    world.program.done(f"{path}/retire")
    return f"{path}/restore", {"note": "mended"}


@case("regrade_shims")
def regrade_shims(world: World):
    line = world.line()
    found = {"place": line.pop("bin")} | line
    return "/regrades", {"found": found, "measured": length("2.571"), "note": "it was fitted before"}


@case("return_to_supplier")
def return_to_supplier(world: World):
    world.in_receiving()
    line = {name: value for name, value in world.line().items() if name not in ("bin", "condition")}
    return "/supplier-returns", {
        "supplier": "norrbeck",
        "reason": "wrong size",
        "lines": [line | {"place": "receiving"}],
    }


@case("send_shims")
def send_shims(world: World):
    line = world.line(quantity=2)
    return "/transfers", {
        "target": world.island().code,
        "lines": [{"place": line.pop("bin")} | line],
        "note": "they are out",
    }


@case("arrive_shims")
def arrive_shims(world: World):
    lines = [{"position": 0, "quantity": 1, "bin": world.bin("2.700")}]
    return f"/transfers/{world.coming().pk}/arrive", {"lines": lines, "note": "one is missing"}


@case("recall_transfer")
def recall_transfer(world: World):
    sent = world.program.done(*send_shims(world))
    return f"/transfers/{sent['id']}/recall", {"note": "nobody was there"}


@case("write_off_transfer")
def write_off_transfer(world: World):
    sent = world.program.done(*send_shims(world))
    return f"/transfers/{sent['id']}/write-off", {"note": "lost"}


@case("take_back_arrival")
def take_back_arrival(world: World):
    arrived = world.program.done(f"/transfers/{world.coming().pk}/arrive")
    movement = arrived["movements"][-1]["id"]
    return f"/transfers/{arrived['id']}/take-back", {"movement": movement, "note": "counted wrong"}
