"""What the stories of the invented shop share: who acts, where, and what there is."""

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from random import Random

from inventory.models import ShimFamily, Supplier
from jobs.models import EngineType
from shop.actor import Actor
from shop.demo.clock import Clock
from shop.demo.premises import SiteFacts
from shop.demo.seats import TrueEngine
from shop.models import Bay, Role, Site

FIRST_DAY_BEFORE = timedelta(days=730)


@dataclass(slots=True, kw_only=True)
class Workshop:
    """One site with the people who act there."""

    facts: SiteFacts
    site: Site
    bays: list[Bay] = field(default_factory=list)
    actors: dict[str, list[Actor]] = field(default_factory=dict)

    def technician(self, rng: Random) -> Actor:
        return rng.choice(self.actors[Role.TECHNICIAN])

    @property
    def counter(self) -> Actor:
        return self.actors[Role.COUNTER][0]

    @property
    def manager(self) -> Actor:
        return self.actors[Role.MANAGER][0]


@dataclass(slots=True, kw_only=True)
class World:
    """The whole shop while it is built. `today`: the beginning of the day on which it is; all that happened
    lies before."""

    seed: int
    today: datetime
    clock: Clock = field(default_factory=Clock)
    workshops: dict[str, Workshop] = field(default_factory=dict)
    families: dict[str, ShimFamily] = field(default_factory=dict)
    suppliers: dict[str, Supplier] = field(default_factory=dict)
    engine_types: dict[str, EngineType] = field(default_factory=dict)
    # By registration, with the moment at which it was last in the shop.
    engines: dict[str, tuple[TrueEngine, datetime]] = field(default_factory=dict)

    @property
    def first_day(self) -> datetime:
        return self.today - FIRST_DAY_BEFORE

    def rng(self, what: str) -> Random:
        """Chance for one purpose: what one story draws does not depend on what others drew before it."""
        return Random(f"{self.seed}/{what}")  # noqa: S311 - an invented shop, no secret

    def on(self, day: int, hour: int, minute: int = 0) -> datetime:
        """A moment by the day counted from the shop's first."""
        return self.first_day + timedelta(days=day, hours=hour, minutes=minute)
