"""Build the invented shop: all of it in one transaction, so that half a shop is never there."""

from datetime import UTC, date, datetime

from django.db import connection

from inventory.models import Movement
from shop.db import atomic_write
from shop.demo.bench import start_open_jobs
from shop.demo.counting import count_under_way
from shop.demo.founding import found
from shop.demo.history import start_history
from shop.demo.people import KEY_HOLDER
from shop.demo.premises import SITES
from shop.demo.world import FIRST_DAY_BEFORE, World
from shop.models import Site, User

SEED = 20_240
PAST_JOBS = 150


def build_shop(*, now: datetime, seed: int = SEED, past_jobs: int = PAST_JOBS) -> World:
    """The invented shop as it would be at the beginning of the day of `now`, two years after it opened.

    The same seed on the same day gives the same shop. With fewer `past_jobs` everything is there but less of
    it. Call on an empty, migrated database.
    """
    today = now.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    world = World(seed=seed, today=today)
    with atomic_write():
        found(world)
        start_history(world, past_jobs)
        start_open_jobs(world)
        world.clock.start(count_under_way(world, world.workshops[SITES[0].code]))
        world.clock.play(until=today)
    return world


def is_there() -> bool:
    """Whether the database holds the invented shop."""
    return (
        _has_tables()
        and Site.objects.filter(code__in=[facts.code for facts in SITES]).count() == len(SITES)
        and User.objects.filter(username=KEY_HOLDER).exists()
    )


def is_empty() -> bool:
    """Whether the database holds no shop at all, or nothing at all."""
    return not _has_tables() or not (Site.objects.exists() or User.objects.exists())


def stands_on() -> date:
    """The day on which the shop in the database was built."""
    return (Movement.objects.earliest("seq").at + FIRST_DAY_BEFORE).date()


def _has_tables() -> bool:
    return Site._meta.db_table in connection.introspection.table_names()
