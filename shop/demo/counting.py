"""Counts in the invented shop: now and then a few bins, most agree; one is under way today."""

from datetime import datetime, timedelta
from random import Random

from inventory.compute.lengths import from_nm
from inventory.models import Balance, BinCount, Condition, Place
from inventory.selectors.places import bins
from inventory.services.count_posting import approve_count, post_count, reject_count
from inventory.services.counting import Found, begin_count, key_count, open_counts
from shop.actor import Actor
from shop.demo.clock import Story
from shop.demo.world import Workshop, World

# Late enough that the drawers were worked from, and within what a variance report looks back at.
FIRST_DAY, LAST_DAY, EVERY_DAYS = 655, 727, 12
BINS_AT_ONCE = 2
UNDER_WAY_DAY = 729
State = BinCount.State


def counting(world: World, workshop: Workshop, first_day: int = FIRST_DAY) -> Story:
    """Every twelve days two bins are counted, the drawers at the thin end first: few plans take from there,
    so that one shim fewer changes no story. Each third time a shim is missing."""
    rng = world.rng(f"counts at {workshop.facts.code}")
    ends = iter(_from_the_thin_end(workshop))
    for turn, day in enumerate(range(first_day, LAST_DAY, EVERY_DAYS)):
        at = world.on(day, 14, rng.randint(0, 40))
        yield at
        places = [place for place, _ in zip(ends, range(BINS_AT_ONCE), strict=False)]
        if not places:
            return
        why = "slow mover: every 180 days, never counted yet"
        counts = open_counts(site=workshop.site, actor=workshop.counter, at=at, places=places, why=why)
        for index, count in enumerate(counts):
            missing = turn % 3 == 1 and index == 0
            at = yield from _count(workshop, count, at, rng, missing=missing, turn=turn)


def count_under_way(world: World, workshop: Workshop) -> Story:
    """Yesterday afternoon: of one drawer two persons found a shim too few and nobody has posted it, another
    waits for a second person, and into a third the manager has begun to look."""
    rng = world.rng(f"count under way at {workshop.facts.code}")
    yield (at := world.on(UNDER_WAY_DAY, 16, 40))
    thick = list(reversed(_from_the_thin_end(workshop)))[:3]
    why = "a shim too few when the drawer was last opened"
    counts = open_counts(site=workshop.site, actor=workshop.counter, at=at, places=thick, why=why)
    technician = workshop.technician(rng)
    for person, count in ((technician, counts[0]), (workshop.counter, counts[0]), (technician, counts[1])):
        yield (at := at + timedelta(minutes=rng.randint(4, 9)))
        _key(count, person, at, missing=True)
    yield (at := at + timedelta(minutes=2))
    begin_count(count=counts[2], actor=workshop.manager, at=at)


def _from_the_thin_end(workshop: Workshop) -> list[Place]:
    """The bins, those of each family's thinnest grade first."""
    return sorted(bins(workshop.site), key=lambda place: (place.code[1:], place.code))


def _count(
    workshop: Workshop, count: BinCount, at: datetime, rng: Random, *, missing: bool, turn: int
) -> Story:
    """One bin, by a technician, and by the counter too where it differs. Answers when it was done."""
    people = [workshop.technician(rng), workshop.counter]
    for person in people:
        at += timedelta(minutes=rng.randint(3, 8))
        yield at
        count = _key(count, person, at, missing=missing)
        if not count.is_open:
            return at
    at += timedelta(minutes=20)
    yield at
    if turn % 2:
        if count.state == State.TO_APPROVE:
            count = approve_count(count=count, actor=workshop.manager, at=at)
        post_count(count=count, actor=workshop.counter, at=at, note="Not found under the drawer either")
    else:
        note = "It lay in the tray of the job on the bench"
        reject_count(count=count, actor=workshop.manager, at=at, note=note)
    return at


def _key(count: BinCount, person: Actor, at: datetime, *, missing: bool) -> BinCount:
    begin_count(count=count, actor=person, at=at)
    lots = Balance.objects.filter(place=count.place, on_hand__gt=0).select_related("family")
    found = []
    for lot in lots.order_by("thickness_nm", "condition"):
        # Of the thinnest new size that nobody has been promised one is gone.
        gone = missing and lot.condition == Condition.NEW and lot.on_hand > lot.held
        missing = missing and not gone
        found.append(
            Found(
                family=lot.family,
                thickness=from_nm(lot.thickness_nm),
                condition=lot.condition,
                quantity=lot.on_hand - gone,
            )
        )
    return key_count(count=count, actor=person, at=at, found=found)
