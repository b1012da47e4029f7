"""A shop on a live server, and a key for a calculator: it may read, plan and hold, and nothing else."""

from dataclasses import dataclass

import pytest

from tests.api.program import program
from tests.api.world import World, make_world


@dataclass(frozen=True)
class Served:
    url: str
    key: str
    world: World

    @property
    def site(self) -> str:
        return self.world.site.code

    @property
    def family(self) -> str:
        return self.world.family

    def on_hand(self, thickness: str) -> int:
        """How many shims of this size lie in bins."""
        rows = self.world.program.get(
            f"/stock?thickness_min={thickness}mm&thickness_max={thickness}mm"
        ).json()
        return sum(row["on_hand"] for row in rows["items"])


@pytest.fixture
def served(live_server, site, manager) -> Served:
    key = program(manager, site, scopes=("read", "plan", "hold")).text
    return Served(url=live_server.url, key=key, world=make_world(site, program(manager, site)))
