"""L13: balances are locked in one fixed order, so writers queue and never wait for each other in a ring."""

import random
import threading
from collections import Counter
from dataclasses import replace
from datetime import timedelta

import pytest
from django.db import connection

from inventory.models import Hold, Place
from inventory.selectors.audit import audit
from inventory.services import ledger
from inventory.services.bin_content import merge_bins
from inventory.services.bins import restore_bin
from inventory.services.catalogue import add_tray
from inventory.services.fitting import Fitted, OneShim, fit_shims
from inventory.services.floor import move_shims, receive_shims, reverse_movement
from inventory.services.holds import Wanted, expire_due_holds, hand_back_hold, hand_out_hold, hold_shims
from inventory.services.outside_fit import fit_hold
from shop.errors import Conflict, NotEnough
from shop.ids import new_id
from tests.concurrency.crowd import at_once, deadlocks, tally
from tests.inventory.books import in_bin

pytestmark = pytest.mark.django_db(transaction=True)
WRITERS = 8


@pytest.fixture
def filled(bins, site, clerk, at):
    """Every bin holds 400 of each of the four sizes."""
    for place in bins:
        shims = [replace(in_bin(place, 400), thickness_nm=other.size_nm) for other in bins]
        receive_shims(site=site, actor=clerk, at=at, shims=shims)


@pytest.fixture
def trays(tray, service, site):
    return [tray, add_tray(site=site, actor=service, code="T2")]


@pytest.fixture
def shuffle_move(bins, site, clerk, at):
    """Move some shims of one bin to the three others, in any order of lines."""

    def act(index, number):
        rng = random.Random(f"{index} {number}")
        source, *targets = rng.sample(bins, 4)
        shims = [
            replace(in_bin(target, rng.randint(1, 2)), thickness_nm=rng.choice(bins).size_nm)
            for target in targets
            for _ in range(2)
        ]
        rng.shuffle(shims)
        return move_shims(site=site, actor=clerk, at=at, source=source, shims=shims)

    return act


def test_eight_writers_of_many_lines_in_any_order(filled, shuffle_move, size):
    before = deadlocks()

    def check(number, outcomes):
        assert tally(outcomes) == {"": WRITERS}, (number, outcomes)

    at_once(WRITERS, size(15, 200), shuffle_move, check)
    assert audit() == []
    assert deadlocks() == before


@pytest.mark.postgresql
def test_without_the_sort_they_wait_for_each_other(filled, shuffle_move, monkeypatch):
    """The mutation: balances in the order of the lines. The database breaks the ring after a second each
    time; the first is enough here.
    """

    def unsorted(things, **how):
        return sorted(things, **how) if how else list(things)

    monkeypatch.setattr(ledger, "sorted", unsorted, raising=False)
    before = deadlocks()
    found = threading.Event()

    def act(index, number):
        return None if found.is_set() else shuffle_move(index, number)

    def check(number, outcomes):
        if max(outcome.seconds for outcome in outcomes) > 0.9:
            found.set()

    at_once(WRITERS, 40, act, check)
    assert deadlocks() > before
    assert audit() == []


class Day:
    """Everything that people do at once on a busy day, each act on bins and sizes of its own choosing."""

    def __init__(self, site, bins, trays, people, at):
        self.site, self.bins, self.trays, self.at = site, bins, trays, at
        self.tech, self.clerk, self.boss = people

    def act(self, index, number):
        rng = random.Random(f"{index} {number}")
        # Holds of the first writers run out within the day, for all others to find.
        now = self.at + timedelta(minutes=number)
        step = rng.choice(
            [
                self.move,
                self.move,
                self.hold,
                self.hold,
                self.receive,
                self.fit,
                self.hand,
                self.sweep,
                self.undo,
            ]
        )
        return step(rng, now, index)

    def lines(self, rng, number):
        return [
            Wanted(
                place=place,
                family_id=place.family_id,
                thickness_nm=rng.choice(self.bins).size_nm,
                condition="new",
                quantity=1,
            )
            for place in rng.sample(self.bins, number)
        ]

    def hold(self, rng, now, index):
        return hold_shims(
            site=self.site,
            actor=self.tech,
            at=now,
            lines=self.lines(rng, 4),
            reference=f"Order {index}",
            expires_in=timedelta(minutes=rng.randint(1, 6)),
        )

    def move(self, rng, now, index):
        source, *targets = rng.sample(self.bins, 4)
        shims = [replace(in_bin(target), thickness_nm=rng.choice(self.bins).size_nm) for target in targets]
        return move_shims(site=self.site, actor=self.clerk, at=now, source=source, shims=shims)

    def receive(self, rng, now, index):
        shims = [
            replace(in_bin(place, 2), thickness_nm=rng.choice(self.bins).size_nm)
            for place in rng.sample(self.bins, 4)
        ]
        return receive_shims(site=self.site, actor=self.clerk, at=now, shims=shims)

    def fit(self, rng, now, index):
        """A job with a hold of its own: two shims out of the engine, three in, one of them not held."""
        hold = self.hold(rng, now, index)
        lines = list(hold.lines.all())
        fitted = [
            Fitted(
                shim=OneShim(
                    family_id=line.family_id, thickness_nm=line.thickness_nm, condition=line.condition
                ),
                hold_line=line,
            )
            for line in lines[:2]
        ]
        spare = rng.choice(self.bins)
        new = OneShim(family_id=spare.family_id, thickness_nm=rng.choice(self.bins).size_nm, condition="new")
        return fit_shims(
            site=self.site,
            actor=self.tech,
            at=now,
            tray=self.trays[index % 2],
            pulled=[replace(new, condition="used", thickness_nm=nm) for nm in (2_580_000, 2_600_000)],
            fitted=[*fitted, Fitted(shim=new, source=spare)],
            holds=[hold],
            job_id=new_id(),
            document=f"Job {index}",
        )

    def hand(self, rng, now, index):
        hold = self.hold(rng, now, index)
        hold = hand_out_hold(hold=hold, tray=self.trays[index % 2], actor=self.tech, at=now)
        if rng.random() < 0.5:
            return hand_back_hold(hold=hold, actor=self.tech, at=now)
        return fit_hold(hold=hold, actor=self.tech, at=now, fitted={0: 1, 2: 1})

    def sweep(self, rng, now, index):
        return expire_due_holds(site=self.site, at=now)

    def undo(self, rng, now, index):
        moved = self.move(rng, now, index)
        return reverse_movement(movement=moved, actor=self.boss, at=now, note="wrong drawer")


def test_a_busy_day_of_every_act(filled, bins, tray, service, site, tech, clerk, boss, at, size):
    """Holds that expire overdue ones, fits of two movements, reversals: none of them breaks the order."""

    day = Day(site, bins, [tray, add_tray(site=site, actor=service, code="T2")], (tech, clerk, boss), at)
    before, done = deadlocks(), Counter()

    def check(number, outcomes):
        for outcome in outcomes:
            # A hold may run out between its making and its use by another writer's later clock.
            assert outcome.code in {"", NotEnough.code, "hold-expired"}, outcome.error
            done[outcome.code] += 1

    at_once(WRITERS, size(20, 1_000), day.act, check)
    assert done[""] > done.total() / 2, done
    assert audit() == []
    assert deadlocks() == before
    assert Hold.objects.filter(state="expired").exists()


def test_fifty_writers_leave_one_chain(site, clerk, bins, at, receive, size):
    """L15: every movement continues the one before it, whoever came first."""

    def check(number, outcomes):
        assert tally(outcomes) == {"": 50}

    at_once(50, size(2, 20), lambda index, number: receive(index % 4, 1), check)
    with connection.cursor() as cursor:
        cursor.execute("SELECT position FROM inventory_movementseal ORDER BY position")
        positions = [row[0] for row in cursor.fetchall()]
    assert positions == list(range(1, 50 * size(2, 20) + 1))
    assert audit() == []


def test_bins_merged_and_split_while_their_holds_go_out_and_back(
    bins, trays, receive, site, tech, boss, clerk, at, family, size
):
    """A merge locks holds, then bins, then balances, and so does everybody who refers to a bin: without
    `lock_places` before the balances a hold waited for the bin and the merge for the balance."""
    Place.objects.filter(pk__in=[place.pk for place in bins]).update(size_nm=None)
    before, done = deadlocks(), Counter()

    def act(index, number):
        rng = random.Random(f"{index} {number}")
        source, target = (Place.objects.select_related("site").get(pk=p.pk) for p in rng.sample(bins, 2))
        if index < 2:
            return merge_bins(source=source, target=target, actor=boss, at=at)
        if index == 2:
            return receive_shims(
                site=site, actor=clerk, at=at, shims=[replace(in_bin(bins[0], 2), place=target)]
            )
        wanted = Wanted(
            place=source, family_id=family.pk, thickness_nm=bins[0].size_nm, condition="new", quantity=1
        )
        hold = hold_shims(site=site, actor=tech, at=at, lines=[wanted], reference=f"order {index} {number}")
        hold = hand_out_hold(hold=hold, tray=trays[index % 2], actor=tech, at=at)
        return hand_back_hold(hold=hold, actor=tech, at=at)

    def check(number, outcomes):
        for outcome in outcomes:
            # Who looks the bin up after it was merged asks for one that is out of use, which is no conflict.
            came_late = "is no bin in use" in str(outcome.error)
            assert outcome.error is None or isinstance(outcome.error, Conflict) or came_late, outcome.error
            done[outcome.code] += 1
        for place in Place.objects.filter(pk__in=[p.pk for p in bins], retired_at__isnull=False):
            restore_bin(place=place, actor=boss, at=at)

    receive(0, 40)
    at_once(WRITERS, size(20, 300), act, check)
    assert done[""] > 0
    assert audit() == []
    assert deadlocks() == before
