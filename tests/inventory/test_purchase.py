"""What jobs lack: noted, bought, received, held for them; or cancelled."""

from datetime import timedelta
from decimal import Decimal

import pytest

from inventory.models import Hold, Movement, Need, Place, PurchaseList
from inventory.selectors.purchases import purchase_lists, to_buy
from inventory.services.catalogue import add_bin, add_offer, add_supplier
from inventory.services.purchasing import (
    STOCK_ARRIVED,
    Buy,
    Lack,
    cancel_needs,
    cancel_purchase,
    mark_bought,
    note_needs,
)
from inventory.services.receiving import receive_purchase
from shop.actor import Actor
from shop.errors import Forbidden, Invalid, NotFound, StaleVersion, WrongState
from shop.ids import new_id
from shop.models import Task
from tests.inventory.books import contents, count, lines_of, refused

pytestmark = pytest.mark.django_db
SIZE = 2_625_000


NO_SIZE = "2.630 mm is no size that 29 mm disc is made in: the nearest made size is 2.625 mm"


@pytest.fixture
def supplier(service, family):
    supplier = add_supplier(actor=service, code="brandt", name="Brandt Parts", lead_days=2)
    add_offer(actor=service, supplier=supplier, family=family, price=Decimal("4.20"), currency="EUR")
    return supplier


@pytest.fixture
def need(site, family, at):
    """Note what a job lacks: (thickness, valve label) pairs."""

    def act(*lacks, job=None, label="Job 4", needed_by=None):
        return note_needs(
            site=site,
            at=at,
            family=family,
            job_id=job or new_id(),
            job_label=label,
            needed_by=needed_by,
            lacks=[Lack(thickness_nm=thickness, valve_label=valve) for thickness, valve in lacks],
        )

    return act


@pytest.fixture
def buy(site, clerk, at, supplier, family):
    def act(*sizes, actor=clerk):
        buys = [
            Buy(family=family, thickness_nm=thickness, quantity=quantity) for thickness, quantity in sizes
        ]
        return mark_bought(site=site, actor=actor, at=at, supplier=supplier, buys=buys)

    return act


@pytest.fixture
def receive(clerk, at, bins):
    """Receive by thickness instead of line id."""

    def act(bought, received, actor=clerk, bins=None, **more):
        ids = {line.thickness_nm: line.pk for line in bought.lines.all()}
        return receive_purchase(
            purchase_list=bought,
            actor=actor,
            at=at,
            received={ids.get(thickness, thickness): quantity for thickness, quantity in received.items()},
            bins={ids[thickness]: place for thickness, place in (bins or {}).items()},
            **more,
        )

    return act


def states(job_id):
    return sorted(Need.objects.filter(job_id=job_id).values_list("valve_label", "state"))


# --- needs


def test_needs_are_noted_in_place_of_those_before(need):
    job = new_id()
    need((SIZE, "1-IN"), (2_650_000, "2-IN"), job=job)
    need((2_675_000, "1-IN"), job=job)
    assert states(job) == [("1-IN", "cancelled"), ("1-IN", "open"), ("2-IN", "cancelled")]


def test_a_job_that_lacks_nothing(need):
    job = new_id()
    need((SIZE, "1-IN"), job=job)
    assert need(job=job) == []
    assert states(job) == [("1-IN", "cancelled")]


def test_cancelled_once(need):
    job = new_id()
    need((SIZE, "1-IN"), (SIZE, "2-IN"), job=job)
    assert cancel_needs(job_id=job) == 2
    assert cancel_needs(job_id=job) == 0


def test_to_buy_gathers_by_size_with_the_most_urgent_first(need, site, at, supplier):
    """A need without a date is the least urgent, on both databases."""
    need((SIZE, "a"), label="Job 1")
    need((SIZE, "b"), label="Job 2", needed_by=at + timedelta(days=2))
    need((SIZE, "c"), (2_650_000, "d"), label="Job 3", needed_by=at + timedelta(days=1))
    first, second = to_buy(site)
    assert (first.thickness_nm, first.quantity) == (SIZE, 3)
    assert [row.valve_label for row in first.needs] == ["c", "b", "a"]
    assert [offer.supplier for offer in first.offers] == [supplier]
    assert (second.thickness_nm, second.quantity) == (2_650_000, 1)


def test_nothing_to_buy(site):
    assert to_buy(site) == []


# --- mark as bought


def test_a_list_covers_the_most_urgent_needs(need, buy, site, at, clerk):
    need((SIZE, "late"), label="Job 1")
    need((SIZE, "soon"), label="Job 2", needed_by=at + timedelta(days=1))
    need((2_650_000, "other"), label="Job 3")
    bought = buy((SIZE, 1), (2_700_000, 5))
    assert (bought.number, bought.state, bought.created_by) == (1, "bought", clerk.label)
    assert bought.currency == "EUR"
    lines = bought.lines.values_list("thickness_nm", "quantity", "received", "price", "currency")
    assert list(lines) == [(SIZE, 1, 0, Decimal("4.20"), "EUR"), (2_700_000, 5, 0, Decimal("4.20"), "EUR")]
    covered = {row.valve_label: (row.state, row.line and row.line.thickness_nm) for row in Need.objects.all()}
    assert covered == {"soon": ("bought", SIZE), "late": ("open", None), "other": ("open", None)}
    assert [row.quantity for row in to_buy(site)] == [1, 1]


def test_lists_are_numbered_by_site(buy, other_site, supplier, family, service, at):
    assert [buy((SIZE, 1)).number, buy((SIZE, 1)).number] == [1, 2]
    there = mark_bought(
        site=other_site,
        actor=service,
        at=at,
        supplier=supplier,
        buys=[Buy(family=family, thickness_nm=SIZE, quantity=1)],
    )
    assert there.number == 1


def test_a_second_list_covers_what_the_first_left(need, buy):
    job = new_id()
    need((SIZE, "1"), (SIZE, "2"), job=job)
    buy((SIZE, 1))
    buy((SIZE, 5))
    assert states(job) == [("1", "bought"), ("2", "bought")]


def test_a_supplier_without_an_offer_has_no_price(buy, family, supplier):
    supplier.offers.all().delete()
    bought = buy((SIZE, 1))
    line = bought.lines.get()
    assert (line.price, line.currency, bought.currency) == (None, "", "")


@pytest.mark.parametrize(
    ("sizes", "errors"),
    [
        ([(SIZE, 0)], {"/lines/0/quantity": "must be 1 to 100,000"}),
        ([(SIZE, 100_001)], {"/lines/0/quantity": "must be 1 to 100,000"}),
        ([(SIZE, 10**30)], {"/lines/0/quantity": "must be 1 to 100,000"}),
        (
            [(SIZE, 1), (2_630_000, 1)],
            {"/lines/1/thickness": NO_SIZE},
        ),
        ([(SIZE, 1), (SIZE, 2)], {"/lines": "name each size once"}),
        ([], {"/lines": "name 1 to 250 sizes; these are 0"}),
    ],
)
def test_what_cannot_be_bought(sizes, errors, buy):
    refused(Invalid, lambda: buy(*sizes), errors, says="Nothing was marked as bought: ")
    assert not PurchaseList.objects.exists()


def test_who_buys(buy, tech, boss, stranger):
    refused(Forbidden, lambda: buy((SIZE, 1), actor=tech), says="may not work on purchase lists")
    refused(NotFound, lambda: buy((SIZE, 1), actor=stranger))
    buy((SIZE, 1), actor=boss)


# --- receive


def test_received_held_and_woken(need, buy, receive, bins, at, site):
    job = new_id()
    need((SIZE, "1-IN"), (SIZE, "2-IN"), job=job, label="Job 4")
    done = receive(buy((SIZE, 3)), {SIZE: 3})
    movement = Movement.objects.get()
    assert lines_of(movement) == [("supplier", "2.625", "new", -3), ("A1", "2.625", "new", 3)]
    assert (movement.reason, movement.document) == ("receive", "Purchase list 1")
    assert (done.state, done.closed_at, done.lines.get().received) == ("received", at, 3)
    assert count(bins[0]) == (3, 2)
    hold = Hold.objects.get()
    assert (hold.job_id, hold.reference, hold.state) == (job, "Job 4", "held")
    rows = hold.lines.values_list("place__code", "quantity", "label")
    assert sorted(rows) == [("A1", 1, "1-IN"), ("A1", 1, "2-IN")]
    assert states(job) == [("1-IN", "met"), ("2-IN", "met")]
    task = Task.objects.get(kind=STOCK_ARRIVED)
    assert (task.payload, task.site) == ({"job": str(job)}, site)


def test_in_two_parts_the_most_urgent_job_first(need, buy, receive, bins, at):
    late, soon = new_id(), new_id()
    need((SIZE, "1"), job=late, label="Job 1")
    need((SIZE, "1"), job=soon, label="Job 2", needed_by=at + timedelta(days=1))
    bought = buy((SIZE, 2), (2_650_000, 4))
    half = receive(bought, {SIZE: 1, 2_650_000: 0})
    assert (half.state, half.closed_at) == ("partly", None)
    assert (states(soon), states(late)) == ([("1", "met")], [("1", "bought")])
    whole = receive(bought, {SIZE: 1, 2_650_000: 4})
    assert whole.state == "received"
    assert states(late) == [("1", "met")]
    assert (count(bins[0]), count(bins[1])) == ((2, 2), (4, 0))


def test_a_job_gets_one_hold_for_all_that_came(need, buy, receive):
    job, other = new_id(), new_id()
    need((SIZE, "1"), (2_650_000, "2"), job=job)
    need((2_650_000, "9"), job=other, label="Job 5")
    receive(buy((SIZE, 1), (2_650_000, 2)), {SIZE: 1, 2_650_000: 2})
    assert Hold.objects.get(job_id=job).lines.count() == 2
    assert Hold.objects.get(job_id=other).lines.count() == 1
    assert Task.objects.filter(kind=STOCK_ARRIVED).count() == 2


def test_what_a_job_no_longer_needs_goes_to_stock(need, buy, receive, bins):
    job = new_id()
    need((SIZE, "1"), job=job)
    bought = buy((SIZE, 1))
    cancel_needs(job_id=job)
    receive(bought, {SIZE: 1})
    assert (count(bins[0]), Hold.objects.count(), states(job)) == ((1, 0), 0, [("1", "cancelled")])


def test_received_twice(buy, receive, bins):
    bought = buy((SIZE, 2))
    receive(bought, {SIZE: 2})
    error = refused(
        WrongState,
        lambda: receive(bought, {SIZE: 2}),
        says="Purchase list 1 is received already; nothing was changed.",
    )
    assert error.extra == {"state": "received"}
    assert count(bins[0]) == (2, 0)


def test_two_tablets_on_one_delivery(buy, receive, bins):
    """F10: the second saw the list before the first keyed its part in."""
    bought = buy((SIZE, 4))
    receive(bought, {SIZE: 2}, version=1)
    error = refused(StaleVersion, lambda: receive(bought, {SIZE: 2}, version=1), says="Look at it again")
    assert error.status == 412
    receive(bought, {SIZE: 2}, version=2)
    assert count(bins[0]) == (4, 0)


def test_more_than_is_outstanding(buy, receive):
    bought = buy((SIZE, 4))
    line = bought.lines.get()
    receive(bought, {SIZE: 3})
    refused(
        Invalid,
        lambda: receive(bought, {SIZE: 2}),
        {f"/received/{line.pk}": "2 received of 2.625 mm, 1 outst"},
    )
    refused(Invalid, lambda: receive(bought, {SIZE: -1}), {f"/received/{line.pk}": "-1 received"})
    refused(Invalid, lambda: receive(bought, {SIZE: 0}), {"/received": "say how many came"})
    refused(Invalid, lambda: receive(bought, {}), {"/received": "say how many came"})
    refused(NotFound, lambda: receive(bought, {new_id(): 1}), says="The list has no line")


def test_a_line_of_another_list(buy, receive):
    first, second = buy((SIZE, 1)), buy((2_650_000, 1))
    refused(NotFound, lambda: receive(first, {second.lines.get().pk: 1}))


def test_into_the_bin_that_is_named(buy, receive, bins):
    receive(buy((SIZE, 1)), {SIZE: 1}, bins={SIZE: bins[3]})
    assert count(bins[3], SIZE) == (1, 0)


def test_bins_that_will_not_do(buy, receive, bins, places, at, other_site, service, family):
    there = add_bin(
        site=other_site, actor=service, at=at, code="Z9", cabinet="Z", row=1, column=1, family=family
    )
    Place.objects.filter(pk=bins[3].pk).update(retired_at=at)
    bought = buy((SIZE, 1))
    line = bought.lines.get()
    for place in (places["receiving"], there, Place.objects.get(pk=bins[3].pk)):
        refused(
            Invalid,
            lambda place=place: receive(bought, {SIZE: 1}, bins={SIZE: place}),
            {f"/bins/{line.pk}": "is no bin in use at North Yard"},
        )
    # The page's copy is older than the retiring.
    refused(
        WrongState,
        lambda: receive(bought, {SIZE: 1}, bins={SIZE: bins[3]}),
        {f"/bins/{line.pk}": "A4 is no longer in use"},
    )


def retire_all(bins, at):
    Place.objects.filter(pk__in=[place.pk for place in bins]).update(retired_at=at)


def test_without_a_bin_they_go_to_receiving(buy, receive, bins, at, places):
    retire_all(bins, at)
    receive(buy((SIZE, 2)), {SIZE: 2})
    assert contents(places["receiving"]) == {("2.625", "new"): (2, 0)}


def test_but_not_those_that_a_job_waits_for(need, buy, receive, bins, at):
    """In receiving they cannot be held, and the job would wait on for what is there."""
    need((SIZE, "1"), label="Job 4")
    retire_all(bins, at)
    bought = buy((SIZE, 2))
    refused(
        Invalid,
        lambda: receive(bought, {SIZE: 2}),
        {f"/bins/{bought.lines.get().pk}": "name a bin for the 2.625 mm, for which Job 4 waits"},
    )


def test_who_receives(buy, receive, tech, stranger, boss):
    bought = buy((SIZE, 2))
    refused(Forbidden, lambda: receive(bought, {SIZE: 1}, actor=tech), says="may not receive shims")
    refused(NotFound, lambda: receive(bought, {SIZE: 1}, actor=stranger))
    receive(bought, {SIZE: 1}, actor=boss)


def test_a_key_for_purchasing_alone_receives_what_jobs_wait_for(need, buy, receive, manager, site, bins):
    """It needs no right to hold: holding for the job is part of receiving."""
    need((SIZE, "1"))
    key = Actor(user=manager, key_name="till", roles={site.id: "manager"}, scopes=frozenset({"purchasing"}))
    receive(buy((SIZE, 1)), {SIZE: 1}, actor=key)
    assert count(bins[0]) == (1, 1)


# --- cancel


def test_cancelled_its_needs_are_to_buy_again(need, buy, clerk, at, site):
    job = new_id()
    need((SIZE, "1"), job=job)
    done = cancel_purchase(purchase_list=buy((SIZE, 1)), actor=clerk, at=at)
    assert (done.state, done.closed_at, states(job)) == ("cancelled", at, [("1", "open")])
    assert [row.quantity for row in to_buy(site)] == [1]


def test_cancelled_after_a_part_came(need, buy, receive, clerk, at):
    job = new_id()
    need((SIZE, "1"), (SIZE, "2"), job=job)
    bought = buy((SIZE, 2))
    receive(bought, {SIZE: 1})
    cancel_purchase(purchase_list=bought, actor=clerk, at=at)
    assert states(job) == [("1", "met"), ("2", "open")]


def test_a_closed_list_stays_closed(buy, receive, clerk, tech, stranger, at):
    bought = buy((SIZE, 1))
    refused(Forbidden, lambda: cancel_purchase(purchase_list=bought, actor=tech, at=at))
    refused(NotFound, lambda: cancel_purchase(purchase_list=bought, actor=stranger, at=at))
    cancel_purchase(purchase_list=bought, actor=clerk, at=at)
    refused(
        WrongState,
        lambda: cancel_purchase(purchase_list=bought, actor=clerk, at=at),
        says="Purchase list 1 is cancelled already",
    )
    refused(WrongState, lambda: receive(bought, {SIZE: 1}), says="is cancelled already; nothing was changed")
    received = buy((SIZE, 1))
    receive(received, {SIZE: 1})
    refused(WrongState, lambda: cancel_purchase(purchase_list=received, actor=clerk, at=at))


def test_lists_newest_first(buy, site, receive):
    first, second = buy((SIZE, 1)), buy((SIZE, 1))
    receive(first, {SIZE: 1})
    assert list(purchase_lists(site)) == [second, first]
    assert list(purchase_lists(site, states=["received"])) == [first]
