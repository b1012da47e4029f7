"""The cases of tests/api/writes.py about tables that are brought in."""

from shop.background.work import work_once
from tests.api.cases import case
from tests.api.program import File
from tests.api.world import World

HEADINGS = "bin,family,thickness [mm],condition,quantity\n"


def table(world: World, *rows: str, name="drawers.csv", kind="stock"):
    """A stock table of these rows, as it is sent."""
    text = HEADINGS + "".join(f"{row}\n" for row in rows)
    return {"site": world.site.code, "kind": kind, "file": File(name, text.encode())}


def staged(world: World, *rows: str) -> str:
    """The address of a table that waits to be judged."""
    rows = rows or (f"{world.bin('2.575')},{world.family},2.575,new,{21 + next(world.numbers)}",)
    return f"/imports/{world.program.done('/imports', table(world, *rows))['id']}"


def judged(world: World, *rows: str) -> str:
    run = staged(world, *rows)
    work_once()
    return run


@case("stage_import")
def stage_import(world: World):
    number = next(world.numbers)
    rows = [f"{world.bin('2.575')},{world.family},2.575,new,{21 + number}"]
    return "/imports", table(world, *rows, name=f"drawer {number}.csv")


@case("apply_import")
def apply_import(world: World):
    return f"{judged(world)}/apply", {}


@case("cancel_import")
def cancel_import(world: World):
    return f"{judged(world)}/cancel", {}
