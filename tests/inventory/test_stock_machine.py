"""L16: all acts in any order, refused ones in between, against plain dictionaries: equal after every step."""

from datetime import timedelta

import pytest
from django.db import transaction
from hypothesis import event, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from inventory.compute.lengths import from_nm
from inventory.models import Balance, Hold, Movement, MovementLine
from inventory.selectors.audit import audit
from inventory.services import floor, holds, inspecting
from inventory.services.fitting import Fitted, OneShim, fit_shims, recover_shims
from inventory.services.floor import Shims
from inventory.services.outside_fit import fit_hold
from shop.errors import ShopError
from shop.ids import new_id
from tests.faults.acts import Shop, found
from tests.inventory.stock_looks import look_at_every_read
from tests.inventory.stock_model import Refused, Stock

pytestmark = pytest.mark.django_db

NEW = st.sampled_from([(2_625_000, "new"), (2_650_000, "new")])
USED = st.sampled_from([(2_581_000, "used"), (2_631_400, "used")])
UNMEASURED = st.just((2_600_000, "unmeasured"))
BINS = st.sampled_from(["A1", "A2", "A3"])
# Mostly few, so that most acts find what they want; now and then none, or more than there are.
QUANTITY = st.sampled_from([1, 1, 1, 2, 2, 3, 5, 9, 0])
WHICH = st.integers(min_value=0, max_value=999)
MINUTES = st.integers(min_value=1, max_value=12)


class StockMachine(RuleBasedStateMachine):
    """One site; the model and the service do the same, or both refuse with the same code."""

    def __init__(self, shop):
        super().__init__()
        self.shop = shop
        self.savepoint = transaction.atomic()
        self.savepoint.__enter__()
        self.places = {place.code: place for place in shop.site.places.all()}
        self.model = Stock(now=shop.by["at"])
        rows = Balance.objects.values_list("place__code", "thickness_nm", "condition", "on_hand")
        self.model.on_hand.update({tuple(shim): on_hand for *shim, on_hand in rows})
        self.made = []
        self.first_seq = Movement.objects.latest("seq").seq

    def teardown(self):
        try:
            assert audit() == []
        finally:
            transaction.set_rollback(True)
            self.savepoint.__exit__(None, None, None)

    # --- both sides

    @property
    def here(self):
        return {**self.shop.here, "at": self.model.now}

    @property
    def by(self):
        return {**self.shop.by, "at": self.model.now}

    def both(self, service, act, *args):
        """Run the act on both sides: both succeed, or both refuse with one code."""
        # No two acts at one moment, as by a real clock.
        self.model.now += timedelta(seconds=1)
        expected, result, model_says, service_says = None, None, "", ""
        try:
            expected = self.model.try_act(act, *args)
        except Refused as error:
            model_says = error.code
        try:
            result = service()
        except ShopError as error:
            service_says = error.code
        assert service_says == model_says, f"{act}{args}"
        event(f"{act}: {model_says or 'done'}")
        return result, expected

    def lot(self, which, *places):
        """One of the lots in these places, by number; a shim that is not there where they are empty."""
        lots = sorted(
            shim for shim, (on_hand, _) in self.model.balances().items() if on_hand and shim[0] in places
        )
        return lots[which % len(lots)] if lots else (places[which % len(places)], 2_625_000, "new")

    def shims(self, place, nm, condition, quantity):
        return [
            Shims(
                family=self.shop.family,
                thickness_nm=nm,
                condition=condition,
                quantity=quantity,
                place=self.places[place] if place else None,
            )
        ]

    @invariant()
    def balances_are_equal(self):
        rows = Balance.objects.exclude(on_hand=0, held=0).values_list(
            "place__code", "thickness_nm", "condition", "on_hand", "held"
        )
        assert {(p, nm, c): (on, held) for p, nm, c, on, held in rows} == self.model.balances()
        assert sum(self.model.on_hand.values()) == 0

    @invariant()
    def holds_are_equal(self):
        rows = {hold.pk: hold for hold in Hold.objects.prefetch_related("lines__place")}
        for made, expected in zip(self.made, self.model.holds, strict=True):
            hold = rows[made.pk]
            assert (hold.state, hold.expires_at) == (
                expected.state,
                expected.expires if not expected.out else None,
            )
            assert [(line.place.code, line.quantity, line.fitted) for line in hold.lines.all()] == [
                (line.place, line.quantity, line.fitted) for line in expected.lines
            ]

    @invariant()
    def movements_are_equal(self):
        lines = MovementLine.objects.filter(movement__seq__gt=self.first_seq)
        assert lines.count() == sum(len(entry.lines) for entry in self.model.entries)

    # --- rules

    @initialize()
    def a_day_is_under_way(self):
        """Three open holds, one of them handed out, and recovered shims at inspection: so that every rule has
        something to work on from the first step, whichever rules this example has."""
        self.hold([(0, 2), (1, 1)], 8, of_job=True)
        self.fit_job(0, [(2_600_000, "unmeasured"), (2_581_000, "used"), (2_581_000, "used")], [0], [])
        self.recover()
        self.hold([(0, 1), (1, 2)], 6, of_job=True)
        self.hold([(0, 1), (2, 2)], 9, of_job=False)
        self.hold([(1, 2)], 4, of_job=False)
        self.hand_out(1)

    @rule(place=st.one_of(BINS, st.none()), shim=st.one_of(NEW, USED), quantity=QUANTITY)
    def receive(self, place, shim, quantity):
        shims = self.shims(place, *shim, quantity)
        self.both(
            lambda: floor.receive_shims(**self.here, shims=shims),
            "receive",
            place or "receiving",
            *shim,
            quantity,
        )

    @rule(place=BINS, shim=st.one_of(NEW, USED, UNMEASURED), quantity=QUANTITY)
    def count_in(self, place, shim, quantity):
        shims = self.shims(place, *shim, quantity)
        self.both(
            lambda: floor.count_in(**self.here, shims=shims, note=""), "count_in", place, *shim, quantity
        )

    @rule(which=WHICH, place=BINS, quantity=QUANTITY)
    def put_away(self, which, place, quantity):
        _, *shim = self.lot(which, "receiving")
        shims = self.shims(place, *shim, quantity)
        self.both(lambda: floor.put_away(**self.here, shims=shims), "put_away", place, *shim, quantity)

    @rule(which=WHICH, to=BINS, quantity=QUANTITY)
    def move(self, which, to, quantity):
        source, *shim = self.lot(which, "A1", "A2", "A3")
        shims = self.shims(to, *shim, quantity)
        self.both(
            lambda: floor.move_shims(**self.here, source=self.places[source], shims=shims),
            "move",
            source,
            to,
            *shim,
            quantity,
        )

    @rule(which=WHICH, quantity=QUANTITY)
    def scrap(self, which, quantity):
        source, *shim = self.lot(which, "A1", "A2", "A3", "receiving", "inspection", "T1")
        shims = self.shims(None, *shim, quantity)
        self.both(
            lambda: floor.scrap_shims(**self.here, source=self.places[source], shims=shims, note="bent"),
            "scrap",
            source,
            *shim,
            quantity,
        )

    @rule(which=WHICH, measured=USED)
    def measure(self, which, measured):
        _, nm, condition = self.lot(which, "inspection")
        (shim,) = self.shims(None, nm, condition, 1)
        self.both(
            lambda: inspecting.measure_shim(
                **self.here, found=shim, measured=from_nm(measured[0]), face="good", marking_legible=True
            ),
            "measure",
            nm,
            condition,
            measured[0],
        )

    @rule(which=WHICH, place=BINS, quantity=QUANTITY)
    def return_to_bin(self, which, place, quantity):
        _, *shim = self.lot(which, "inspection")
        shims = self.shims(place, *shim, quantity)
        # The model has no proposals of inspections: whatever is asked about one is answered with yes.
        self.both(
            lambda: floor.return_to_bin(**self.here, shims=shims, confirm=True),
            "return_to_bin",
            *(place, *shim, quantity),
        )

    @precondition(lambda self: self.model.entries)
    @rule(which=WHICH)
    def reverse(self, which):
        index = which % len(self.model.entries)
        movement = Movement.objects.filter(seq__gt=self.first_seq).order_by("seq")[index]
        self.both(
            lambda: floor.reverse_movement(movement=movement, **self.by, note="a mistake"), "reverse", index
        )

    @rule(
        lines=st.lists(st.tuples(WHICH, QUANTITY), min_size=1, max_size=3),
        minutes=MINUTES,
        of_job=st.booleans(),
    )
    def hold(self, lines, minutes, of_job):
        wanted = [(*self.lot(which, "A1", "A2", "A3"), quantity) for which, quantity in lines]
        stands = timedelta(minutes=minutes)
        made, _ = self.both(
            lambda: holds.hold_shims(
                **self.here,
                lines=[
                    holds.Wanted(
                        place=self.places[place],
                        family_id=self.shop.family.id,
                        thickness_nm=nm,
                        condition=condition,
                        quantity=quantity,
                    )
                    for place, nm, condition, quantity in wanted
                ],
                reference="Order",
                job_id=new_id() if of_job else None,
                expires_in=stands,
            ),
            "hold",
            wanted,
            self.model.now + timedelta(seconds=1) + stands,
            of_job,
        )
        if made is not None:
            self.made.append(made)

    def one_hold(self, which):
        """One of the last three, so that most are still open."""
        return len(self.made) - 1 - which % min(3, len(self.made))

    def on_hold(self, which, service, act, *args, **more):
        index = self.one_hold(which)
        return self.both(lambda: service(hold=self.made[index], **self.by, **more), act, index, *args)

    @precondition(lambda self: self.made)
    @rule(which=WHICH, minutes=MINUTES)
    def extend(self, which, minutes):
        stands = timedelta(minutes=minutes)
        until = self.model.now + timedelta(seconds=1) + stands
        self.on_hold(which, holds.extend_hold, "extend", until, expires_in=stands)

    @precondition(lambda self: self.made)
    @rule(which=WHICH)
    def release(self, which):
        self.on_hold(which, holds.release_hold, "release")

    @precondition(lambda self: self.made)
    @rule(which=WHICH)
    def hand_out(self, which):
        self.on_hold(which, holds.hand_out_hold, "hand_out", tray=self.places["T1"])

    @precondition(lambda self: self.made)
    @rule(which=WHICH)
    def hand_back(self, which):
        self.on_hold(which, holds.hand_back_hold, "hand_back")

    @precondition(lambda self: self.made)
    @rule()
    def sweep(self):
        count, expected = self.both(
            lambda: holds.expire_due_holds(site=self.shop.site, at=self.model.now), "sweep"
        )
        assert count == expected

    @rule(minutes=MINUTES)
    def time_passes(self, minutes):
        self.model.now += timedelta(minutes=minutes)

    @precondition(lambda self: self.made)
    @rule(which=WHICH, counts=st.lists(st.sampled_from([1, 1, 0, 2, 4]), min_size=3, max_size=3))
    def fit_outside(self, which, counts):
        size = len(self.model.holds[self.one_hold(which)].lines)
        fitted = dict(enumerate(counts[:size]))
        self.on_hold(which, fit_hold, "fit_outside", fitted, fitted=fitted)

    @precondition(lambda self: self.made)
    @rule(
        which=WHICH,
        pulled=st.lists(st.one_of(USED, UNMEASURED), max_size=2),
        taken=st.lists(WHICH, max_size=3),
        others=st.lists(WHICH, max_size=1),
    )
    def fit_job(self, which, pulled, taken, others):
        index = self.one_hold(which)
        spare = [self.lot(other, "A1", "A2", "A3", "T1") for other in others]
        rows = list(Hold.objects.get(pk=self.made[index].pk).lines.all())
        from_hold = [number % len(rows) for number in taken]
        family = self.shop.family.id
        fitted = [
            Fitted(
                shim=OneShim(
                    family_id=family, thickness_nm=rows[at].thickness_nm, condition=rows[at].condition
                ),
                hold_line=rows[at],
            )
            for at in from_hold
        ] + [
            Fitted(
                shim=OneShim(family_id=family, thickness_nm=nm, condition=condition),
                source=self.places[place],
            )
            for place, nm, condition in spare
        ]
        self.both(
            lambda: fit_shims(
                **self.here,
                tray=self.places["T1"],
                pulled=[OneShim(family_id=family, thickness_nm=nm, condition=c) for nm, c in pulled],
                fitted=fitted,
                holds=[self.made[index]],
                job_id=new_id(),
                document="Job",
            ),
            "fit_job",
            index,
            pulled,
            from_hold,
            spare,
        )

    @precondition(lambda self: self.model.entries)
    @rule()
    def recover(self):
        self.both(
            lambda: recover_shims(**self.here, tray=self.places["T1"], job_id=new_id(), document="Job"),
            "recover",
        )

    # --- reads

    @rule(
        low=st.sampled_from([None, 2_600_000, 2_631_400]),
        high=st.sampled_from([None, 2_625_000, 2_640_000]),
        condition=st.sampled_from([None, "new", "used", "unmeasured"]),
        code=st.one_of(st.none(), BINS),
        by_family=st.booleans(),
    )
    def look(self, low, high, condition, code, by_family):
        look_at_every_read(self.shop, self.model, low, high, condition, code, by_family)


def test_the_ledger_equals_plain_dictionaries(db, request):
    long = request.config.getoption("--long")
    found()
    shop = Shop()
    examples, steps = (500, 50) if long else (10, 30)
    run_state_machine_as_test(
        lambda: StockMachine(shop),
        settings=settings(
            max_examples=examples,
            stateful_step_count=steps,
            deadline=None,
            print_blob=True,
        ),
    )
