"""What the inventory tells others of: deliveries, sizes that run low, holds that run out."""

from datetime import timedelta

import pytest
from django.db import transaction

from inventory.models import HoldWarning, PurchaseLine, StockMinimum
from inventory.services import minimums, news
from inventory.services.catalogue import add_supplier
from inventory.services.floor import Shims, receive_shims
from inventory.services.hold_warnings import warn_of_expiring_holds
from inventory.services.holds import Wanted, extend_hold, hand_out_hold, hold_shims, release_hold
from inventory.services.minimums import set_minimum, tell_low_stock
from inventory.services.purchasing import Buy, cancel_purchase, mark_bought
from inventory.services.receiving import receive_purchase
from inventory.tasks import tell_due_news
from shop.actor import service_actor
from shop.conf import conf
from shop.errors import Forbidden, Invalid, NotFound, StaleVersion
from shop.models import OutboxEvent
from shop.webhooks.events import EventKind
from tests.told import told

pytestmark = pytest.mark.django_db
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
SIZE = 2_625_000
THICKNESS = {"value": "2.625", "unit": "mm"}


class TestDelivery:
    @pytest.fixture
    def bought(self, site, clerk, at, family, service):
        supplier = add_supplier(actor=service, code="brandt", name="Brandt Parts", lead_days=2)
        buys = [Buy(family=family, thickness_nm=size, quantity=3) for size in (SIZE, 2_650_000)]
        return mark_bought(site=site, actor=clerk, at=at, supplier=supplier, buys=buys)

    def receive(self, bought, clerk, at, *quantities, **more):
        lines = bought.lines.order_by("thickness_nm")
        received = {line.pk: quantity for line, quantity in zip(lines, quantities, strict=True)}
        return receive_purchase(purchase_list=bought, actor=clerk, at=at, received=received, **more)

    def test_is_told_with_what_came(self, bought, clerk, at, bins):
        self.receive(bought, clerk, at, 2, 0)
        self.receive(bought, clerk, at + HOUR, 1, 3)
        first, second = told()
        assert first == {
            "site": "north",
            "purchase_list": str(bought.pk),
            "number": 1,
            "complete": False,
            "received": [{"family": "disc29", "thickness": THICKNESS, "quantity": 2}],
            "more": 0,
        }
        assert second["complete"] is True
        assert [line["quantity"] for line in second["received"]] == [1, 3]

    def test_that_was_refused_is_not_told(self, bought, clerk, at, bins):
        with pytest.raises(Invalid):
            self.receive(bought, clerk, at, 4, 0)
        with pytest.raises(StaleVersion):
            self.receive(bought, clerk, at, 1, 0, version=99)
        cancel_purchase(purchase_list=bought, actor=clerk, at=at)
        assert told() == []

    def test_that_was_rolled_back_is_not_told(self, bought, clerk, at, bins):
        with transaction.atomic():
            self.receive(bought, clerk, at, 1, 1)
            assert len(told()) == 1
            transaction.set_rollback(True)
        assert told() == []

    def test_of_very_many_sizes_stays_small(self, bought, family, at):
        """A purchase list has 250 sizes at most; the message has the first hundred and says so."""
        lines = [
            PurchaseLine(purchase_list=bought, family=family, thickness_nm=2_000_001 + n, quantity=100_000)
            for n in range(250)
        ]
        news.delivery_received(
            bought, {line.pk: line for line in lines}, {line.pk: 100_000 for line in lines}, at
        )
        (data,) = told()
        assert (len(data["received"]), data["more"]) == (100, 150)


class TestLowStock:
    @pytest.fixture
    def keep(self, site, family, clerk, at):
        def act(minimum, size=SIZE, actor=clerk):
            return set_minimum(
                site=site, actor=actor, at=at, family=family, thickness_nm=size, minimum=minimum
            )

        return act

    @pytest.fixture
    def look(self, site, at):
        return lambda minutes=0: tell_low_stock(site=site, at=at + minutes * MINUTE)

    @pytest.fixture
    def hold(self, site, tech, at, family, bins):
        def act(quantity):
            want = Wanted(
                place=bins[0], family_id=family.pk, thickness_nm=SIZE, condition="new", quantity=quantity
            )
            return hold_shims(site=site, actor=tech, at=at, lines=[want], reference="Job 4")

        return act

    def test_is_told_once_when_it_falls_below(self, keep, look, receive, hold):
        receive(0, 5)
        keep(3)
        assert look() == 0
        first = hold(2)
        assert look(1) == 0
        second = hold(1)
        assert look(2) == 1
        assert look(3) == 0
        assert told() == [
            {"site": "north", "family": "disc29", "thickness": THICKNESS, "minimum": 3, "available": 2}
        ]
        # Back above and below again is told again.
        for held in (first, second):
            release_hold(hold=held, actor=service_actor(), at=held.created_at)
        assert look(4) == 0
        assert StockMinimum.objects.get().low_since is None
        hold(5)
        assert look(5) == 1
        assert [data["available"] for data in told()] == [2, 0]

    def test_of_a_size_that_was_never_here(self, keep, look, bins):
        keep(1)
        assert look() == 1
        assert told()[0]["available"] == 0

    def test_counts_new_and_used_in_bins_alone(self, keep, look, receive, site, clerk, family, at):
        receive(0, 1)
        receive(0, 1, "used")
        receive_shims(
            site=site,
            actor=clerk,
            at=at,
            shims=[Shims(family=family, thickness_nm=SIZE, condition="new", quantity=9)],
        )
        keep(3)
        look()
        assert told()[0]["available"] == 2

    def test_of_zero_is_not_watched(self, keep, look, bins):
        keep(2)
        look()
        keep(0)
        assert look(1) == 0
        assert StockMinimum.objects.get().low_since is None
        assert len(told()) == 1

    def test_two_looks_at_once_tell_it_once(self, keep, look, bins, site, at, monkeypatch):
        """Both see the same; one of them changes the row."""
        keep(2)
        seen = minimums.to_tell(site)
        monkeypatch.setattr(minimums, "to_tell", lambda site: seen)
        assert [look(), look(1)] == [1, 0]
        assert len(told()) == 1

    def test_of_another_site_is_not_told_here(self, keep, bins, other_site, at):
        keep(2)
        assert tell_low_stock(site=other_site, at=at) == 0

    def test_is_set_by_counter_and_manager(self, keep, tech, boss, stranger, bins):
        with pytest.raises(Forbidden):
            keep(2, actor=tech)
        with pytest.raises(NotFound):
            keep(2, actor=stranger)
        assert keep(2, actor=boss).changed_by == "Mara Quist"

    @pytest.mark.parametrize(
        ("minimum", "size", "pointer"),
        [(-1, SIZE, "/minimum"), (100_001, SIZE, "/minimum"), (1, 2_626_000, "/thickness")],
    )
    def test_is_set_within_bounds(self, keep, minimum, size, pointer):
        with pytest.raises(Invalid) as refused:
            keep(minimum, size)
        assert [error.pointer for error in refused.value.errors] == [pointer]

    def test_a_look_at_nothing_asks_once_and_writes_nothing(self, site, at, django_assert_num_queries):
        with django_assert_num_queries(1):
            assert tell_low_stock(site=site, at=at) == 0


class TestExpiringHolds:
    @pytest.fixture
    def hold(self, site, tech, at, family, receive, bins):
        receive(0, 5)
        want = Wanted(place=bins[0], family_id=family.pk, thickness_nm=SIZE, condition="new", quantity=1)
        return hold_shims(site=site, actor=tech, at=at, lines=[want], reference="calculator 9")

    def look(self, hold, before):
        return warn_of_expiring_holds(site=hold.site, at=hold.expires_at - before)

    def test_are_told_once_before_they_run_out(self, hold):
        soon = conf.hold_warning
        assert self.look(hold, soon + MINUTE) == 0
        assert self.look(hold, soon) == 1
        assert self.look(hold, soon - MINUTE) == 0
        assert self.look(hold, MINUTE) == 0
        assert told() == [
            {
                "site": "north",
                "hold": str(hold.pk),
                "job": None,
                "reference": "calculator 9",
                "expires_at": "2026-03-04T08:30:00Z",
            }
        ]

    def test_that_were_extended_are_told_again_when_their_new_time_comes(self, hold, tech):
        assert self.look(hold, HOUR) == 1
        hold = extend_hold(hold=hold, actor=tech, at=hold.expires_at - HOUR, expires_in=timedelta(days=1))
        assert self.look(hold, conf.hold_warning + MINUTE) == 0
        assert self.look(hold, HOUR) == 1
        assert self.look(hold, MINUTE) == 0
        assert len({data["expires_at"] for data in told()}) == 2
        assert HoldWarning.objects.count() == 1

    def test_that_ended_or_are_handed_out_are_not(self, hold, tech, clerk, tray, site, at, family, bins):
        release_hold(hold=hold, actor=tech, at=at)
        want = Wanted(place=bins[0], family_id=family.pk, thickness_nm=SIZE, condition="new", quantity=1)
        out = hold_shims(site=site, actor=tech, at=at, lines=[want], reference="Job 5")
        hand_out_hold(hold=out, tray=tray, actor=clerk, at=at)
        assert self.look(hold, HOUR) == 0
        assert told() == []

    def test_that_have_run_out_are_not(self, hold):
        assert self.look(hold, timedelta(0)) == 0
        assert self.look(hold, -HOUR) == 0

    def test_of_another_site_are_not_told_here(self, hold, other_site):
        assert warn_of_expiring_holds(site=other_site, at=hold.expires_at - HOUR) == 0


def test_the_minutes_task_tells_both_at_every_site(site, other_site, family, bins, at):
    for place in (site, other_site):
        set_minimum(site=place, actor=service_actor(), at=at, family=family, thickness_nm=SIZE, minimum=1)

    class Minute:
        def now(self):
            return at

    assert tell_due_news(Minute()) == {"low": 2, "expiring": 0}
    assert sorted(data["site"] for data in told(EventKind.STOCK_LOW)) == ["harbour", "north"]
    assert OutboxEvent.objects.count() == 2
