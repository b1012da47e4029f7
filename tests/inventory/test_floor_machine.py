"""L16 for transfers, counts, regrading, merges and take-overs, among all the other acts of the floor."""

from datetime import timedelta

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import initialize, invariant, precondition, rule, run_state_machine_as_test

from inventory.compute.lengths import from_nm
from inventory.models import Movement, Place, Transfer
from inventory.selectors.as_of import link_now, moment_after, stock_as_of
from inventory.services.bin_content import merge_bins
from inventory.services.bins import restore_bin
from inventory.services.count_posting import approve_count, post_count, reject_count
from inventory.services.counting import Found, key_count, open_counts
from inventory.services.inspecting import inspect_shim
from inventory.services.regrading import regrade_shims
from inventory.services.supplier_returns import return_to_supplier
from inventory.services.take_over import take_over_hold
from inventory.services.transfers import (
    arrive_shims,
    recall_transfer,
    send_shims,
    take_back_arrival,
    write_off_transfer,
)
from shop.actor import actor_for_user
from shop.errors import ShopError
from shop.models import Site, User
from tests.faults.acts import Shop, found
from tests.faults.floor_acts import PEOPLE, make_other_site, make_people
from tests.inventory.floor_model import FloorStock
from tests.inventory.stock_model import OUTSIDE
from tests.inventory.test_stock_machine import BINS, MINUTES, QUANTITY, USED, WHICH, StockMachine

pytestmark = pytest.mark.django_db

FACES = ("good", "marked", "pitted")
STOCKED = ("A1", "A2", "A3", "receiving")


class FloorMachine(StockMachine):
    """The site of StockMachine and one more, to which shims are sent."""

    def __init__(self, shop):
        super().__init__(shop)
        kept = self.model
        self.model = FloorStock(now=kept.now, on_hand=kept.on_hand)
        self.other = Site.objects.get(code="harbour")
        self.places |= {"H1": Place.objects.get(site=self.other, code="H1")}
        self.people = [actor_for_user(User.objects.get(username=name)) for name in PEOPLE]
        self.sent = []

    @initialize()
    def a_day_is_under_way(self):
        """Besides, two parcels have left, and part of one has arrived."""
        super().a_day_is_under_way()
        self.send(2, 3)
        self.send(0, 2)
        self.arrive(1, 1)

    # --- between sites

    @rule(which=WHICH, quantity=QUANTITY)
    def send(self, which, quantity):
        place, *shim = self.lot(which, *STOCKED)
        shims = self.shims(place, *shim, quantity)
        made, _ = self.both(
            lambda: send_shims(**self.here, target=self.other, shims=shims), "send", place, *shim, quantity
        )
        if made is not None:
            self.sent.append(made)

    def one_transfer(self, which):
        return len(self.sent) - 1 - which % min(3, len(self.sent))

    @precondition(lambda self: self.sent)
    @rule(which=WHICH, quantity=QUANTITY)
    def arrive(self, which, quantity):
        index = self.one_transfer(which)
        self.both(
            lambda: arrive_shims(
                transfer=self.sent[index],
                **self.by,
                arrived={0: quantity},
                places={0: self.places["H1"]},
            ),
            "arrive",
            index,
            quantity,
        )

    @precondition(lambda self: self.sent)
    @rule(which=WHICH, lost=st.booleans())
    def end_transfer(self, which, lost):
        index = self.one_transfer(which)
        if lost:
            service, act, note = write_off_transfer, "write_off", "lost"
        else:
            service, act, note = recall_transfer, "recall", ""
        self.both(lambda: service(transfer=self.sent[index], **self.by, note=note), act, index)

    @precondition(lambda self: self.sent)
    @rule(which=WHICH)
    def take_back(self, which):
        index = self.one_transfer(which)
        arrivals = self.model.transfers[index].arrivals
        movements = list(Movement.objects.filter(seq__gt=self.first_seq).order_by("seq"))
        # Without an arrival, some movement of another kind.
        movement = movements[arrivals[-1]] if arrivals else movements[0]
        self.both(
            lambda: take_back_arrival(
                transfer=self.sent[index], movement=movement, **self.by, note="another parcel"
            ),
            "take_back",
            index,
        )

    # --- what shims really are, and how many

    @rule(which=WHICH, measured=USED, off=st.sampled_from([None, 0, 0, 300_000]), face=st.sampled_from(FACES))
    def inspect(self, which, measured, off, face):
        """One reading, two that are the same, two that cannot both be right; none for a pitted face."""
        _, nm, condition = self.lot(which, "inspection")
        (shim,) = self.shims(None, nm, condition, 1)
        first = measured[0]
        readings = [] if face == "pitted" else [first] if off is None else [first, first + off]
        self.both(
            lambda: inspect_shim(
                **self.here,
                found=shim,
                readings=[from_nm(reading) for reading in readings],
                face=face,
                marking_legible=True,
            ),
            "inspect",
            nm,
            condition,
            readings,
        )

    @rule(which=WHICH, measured=USED, quantity=QUANTITY)
    def regrade(self, which, measured, quantity):
        place, *shim = self.lot(which, *STOCKED)
        (lot,) = self.shims(place, *shim, quantity)
        worn = {"measured": from_nm(measured[0]), "note": "worn", "confirm": True}
        self.both(
            lambda: regrade_shims(**self.here, found=lot, **worn),
            "regrade",
            place,
            *shim,
            quantity,
            measured[0],
        )

    @rule(which=WHICH, quantity=QUANTITY)
    def give_back(self, which, quantity):
        place, *shim = self.lot(which, *STOCKED)
        shims = self.shims(place, *shim, quantity)
        self.both(
            lambda: return_to_supplier(
                **self.here, supplier=self.shop.supplier, shims=shims, reason="ordered twice"
            ),
            "give_back",
            place,
            *shim,
            quantity,
        )

    @rule(which=WHICH, difference=st.sampled_from([-1, -1, 1, -3, 2, 0]))
    def count(self, which, difference):
        """Two persons find a lot differing, and every other lot of the bin as the books have it."""
        place, nm, condition = self.lot(which, "A1", "A2", "A3")
        there = self.model.on_hand[place, nm, condition]
        difference = max(difference, -there)
        counts = {
            (lot, kind): number
            for (where, lot, kind), number in self.model.on_hand.items()
            if where == place and number
        }
        counts[nm, condition] = there + difference
        self.both(lambda: self.count_and_post(place, counts), "count", place, nm, condition, difference)

    def count_and_post(self, place, counts):
        at = self.model.now
        (count,) = open_counts(**self.here, places=[self.places[place]])
        figures = [
            Found(family=self.shop.family, thickness=from_nm(nm), condition=condition, quantity=number)
            for (nm, condition), number in counts.items()
        ]
        for actor in self.people:
            if count.is_open:
                count = key_count(count=count, actor=actor, at=at, found=figures)
        if not count.is_open:
            return count
        if count.state == "to_approve":
            count = approve_count(count=count, **self.by)
        try:
            return post_count(count=count, **self.by)
        except ShopError:
            reject_count(count=count, **self.by, note="not now")
            raise

    # --- bins and holds

    @rule(emptied=BINS, filled=BINS)
    def merge(self, emptied, filled):
        """The emptied bin is brought back at once: the other rules need their three."""

        def merge_and_restore():
            bins = Place.objects.select_related("site").in_bulk(
                [self.places[emptied].pk, self.places[filled].pk]
            )
            source = bins[self.places[emptied].pk]
            merge_bins(source=source, target=bins[self.places[filled].pk], **self.by, widen=True)
            source.refresh_from_db()
            restore_bin(place=source, **self.by)

        self.both(merge_and_restore, "merge", emptied, filled)

    @precondition(lambda self: self.made)
    @rule(which=WHICH, first=st.integers(0, 2), every=st.booleans(), minutes=MINUTES)
    def take_over(self, which, first, every, minutes):
        index = self.one_hold(which)
        size = len(self.model.holds[index].lines)
        positions = list(range(size)) if every else [first % size]
        stands = timedelta(minutes=minutes)
        over, left = self.both(
            lambda: take_over_hold(
                hold=self.made[index],
                **self.by,
                reference=f"Rush {len(self.made)}",
                reason="leaves today",
                positions=positions,
                expires_in=stands,
            ),
            "take_over",
            index,
            positions,
            self.model.now + timedelta(seconds=1) + stands,
        )
        if over is not None:
            self.made.append(over.taken)
            assert (over.rest is not None) == left
            if left:
                self.made.append(over.rest)

    # --- reads

    @invariant()
    def transfers_are_equal(self):
        rows = Transfer.objects.in_bulk([made.pk for made in self.sent])
        for made, expected in zip(self.sent, self.model.transfers, strict=True):
            transfer = rows[made.pk]
            assert transfer.lines.get().in_transit == expected.left
            assert (transfer.state == "closed") == expected.closed

    @invariant()
    def stock_as_of_now_is_the_stock(self):
        site = self.shop.site
        moment = moment_after(site, site.movements.order_by("seq").last().seq)
        assert moment.link == link_now(site)
        there = {
            (lot.place.code, lot.thickness_nm, lot.condition): lot.on_hand for lot in stock_as_of(moment)
        }
        inside = {shim: on for shim, (on, _) in self.model.balances().items() if shim[0] not in OUTSIDE}
        # What another site took out of transit since is not of this moment.
        for shim in [shim for shim in {*there, *inside} if shim[0] in ("transit", "H1")]:
            there.pop(shim, None)
            inside.pop(shim, None)
        assert there == {shim: on for shim, on in inside.items() if on}


def test_the_floor_equals_plain_dictionaries(db, request):
    long = request.config.getoption("--long")
    found()
    shop = Shop()
    make_people(shop)
    make_other_site(shop)
    examples, steps = (500, 50) if long else (7, 30)
    run_state_machine_as_test(
        lambda: FloorMachine(shop),
        settings=settings(
            max_examples=examples,
            stateful_step_count=steps,
            deadline=None,
            print_blob=True,
        ),
    )
