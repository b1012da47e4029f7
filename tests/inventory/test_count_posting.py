"""A difference that two persons found: approved, posted, rejected; in the way of holds and movements."""

from datetime import timedelta
from decimal import Decimal

import pytest

from inventory.compute.lengths import from_nm
from inventory.models import Condition, PlaceKind, Reason
from inventory.selectors.places import place_of
from inventory.selectors.stories import story_of_bin, story_of_person
from inventory.services.catalogue import add_offer, add_supplier
from inventory.services.count_posting import approve_count, cancel_count, post_count, reject_count
from inventory.services.counting import Found, key_count, open_counts
from inventory.services.floor import Shims, count_in, move_shims, reverse_movement
from inventory.services.holds import Wanted, hold_shims, release_hold
from inventory.services.worth import value_family
from shop.errors import Conflict, Forbidden, Invalid, NotFound, WrongState
from tests.inventory.lots import lots, new, used

pytestmark = pytest.mark.django_db

NM = 2_625_000


@pytest.fixture
def offer(service, family):
    supplier = add_supplier(actor=service, code="anvil", name="Anvil & Daughters", lead_days=2)
    return add_offer(actor=service, supplier=supplier, family=family, price=Decimal("4.2000"), currency="EUR")


@pytest.fixture
def differ(site, clerk, tech, at, family, bins, receive):
    """A count of A1 that two persons find differing; the books have five new shims of 2.625 mm there."""

    def act(counted=4, extra=()):
        (count,) = open_counts(site=site, actor=clerk, at=at, places=[bins[0]])
        found = [
            Found(family=family, thickness=from_nm(nm), condition=condition, quantity=quantity)
            for nm, condition, quantity in ((NM, Condition.NEW, counted), *extra)
        ]
        key_count(count=count, actor=tech, at=at, found=found)
        return key_count(count=count, actor=clerk, at=at, found=found)

    receive(0, 5)
    return act


@pytest.fixture
def hold(site, tech, at, family, bins):
    def act(quantity, expires_in=None):
        wanted = Wanted(
            place=bins[0], family_id=family.id, thickness_nm=NM, condition=Condition.NEW, quantity=quantity
        )
        return hold_shims(
            site=site, actor=tech, at=at, lines=[wanted], reference="job 7", expires_in=expires_in
        )

    return act


def test_a_small_difference_is_posted(offer, differ, clerk, at, bins, site):
    count = differ(4, extra=[(2_634_000, Condition.USED, 2)])
    # One new at 4.20 is missing and two used ones, at half of that, are there too many.
    assert (count.state, count.gross_value, count.currency) == ("differs", Decimal("8.40"), "EUR")
    count = post_count(count=count, actor=clerk, at=at, note="swept up")
    assert (count.state, count.closed_at, count.closed_by) == ("posted", at, "Tobi Lund")
    assert lots(bins[0]) == new(NM, 4) | used(2_634_000, 2)
    assert lots(place_of(site, PlaceKind.DIFFERENCE)) == new(NM, 1) | used(2_634_000, -2)
    movement = count.movement
    assert (movement.reason, movement.document, movement.note) == (Reason.COUNT, "Count 1", "swept up")


def test_posted_once(offer, differ, clerk, at, bins):
    count = post_count(count=differ(4), actor=clerk, at=at)
    with pytest.raises(
        WrongState, match="Count 1 of A1 cannot be posted while it stands at: Difference posted"
    ):
        post_count(count=count, actor=clerk, at=at)
    assert lots(bins[0]) == new(NM, 4)


def test_what_moved_since_stays_as_it_moved(offer, differ, clerk, at, bins, site, family):
    count = differ(4)
    move = Shims(family=family, thickness_nm=NM, condition=Condition.NEW, quantity=3, place=bins[1])
    move_shims(site=site, actor=clerk, at=at, source=bins[0], shims=[move])
    post_count(count=count, actor=clerk, at=at)
    assert lots(bins[0]) == new(NM, 1)
    assert lots(bins[1]) == new(NM, 3)


def test_above_the_set_value_a_manager_approves(offer, differ, clerk, boss, stranger, at, bins, settings):
    settings.COLDGAP = settings.COLDGAP | {"COUNT_APPROVAL_VALUE": "4.19"}
    count = differ(4)
    assert count.state == "to_approve"
    with pytest.raises(WrongState, match="a manager approves it first"):
        post_count(count=count, actor=clerk, at=at)
    with pytest.raises(Forbidden):
        approve_count(count=count, actor=clerk, at=at)
    with pytest.raises(NotFound):
        approve_count(count=count, actor=stranger, at=at)
    count = approve_count(count=count, actor=boss, at=at, note="known leak")
    assert (count.state, count.approved_by, count.approved_at) == ("differs", "Mara Quist", at)
    with pytest.raises(WrongState, match="Count 1 is approved already: post it"):
        approve_count(count=count, actor=boss, at=at)
    assert post_count(count=count, actor=clerk, at=at).note == "known leak"
    assert lots(bins[0]) == new(NM, 4)
    # The histories of the bin and of the manager say who approved it.
    approved = ("Count approved", "Mara Quist", "Count 1 of A1")
    for story in (story_of_bin(bins[0], at=at), story_of_person(bins[0].site, boss.user)):
        assert [(it.what, it.by, it.text) for it in story.whole() if it.by == "Mara Quist"] == [approved]


def test_at_the_set_value_nobody_need_approve(offer, differ, boss, at, settings):
    settings.COLDGAP = settings.COLDGAP | {"COUNT_APPROVAL_VALUE": "4.20"}
    count = differ(4)
    assert count.state == "differs"
    with pytest.raises(WrongState, match="small enough to need no approval"):
        approve_count(count=count, actor=boss, at=at)


def test_the_family_s_own_value_counts_where_no_offer_is_in_the_shop_s_currency(
    differ, boss, at, family, service
):
    supplier = add_supplier(actor=service, code="far", name="Far & Away", lead_days=9)
    add_offer(actor=service, supplier=supplier, family=family, price=Decimal(900), currency="XTS")
    value_family(family=family, actor=boss, at=at, unit_value=Decimal("3.5"))
    assert differ(2).gross_value == Decimal("10.5")


def test_what_a_value_may_be(boss, clerk, at, family):
    for value in (Decimal(-1), Decimal("0.00001"), Decimal("1e8"), Decimal("NaN"), Decimal("Infinity")):
        with pytest.raises(Invalid, match="0 or more"):
            value_family(family=family, actor=boss, at=at, unit_value=value)
    with pytest.raises(Forbidden):
        value_family(family=family, actor=clerk, at=at, unit_value=Decimal(1))
    value_family(family=family, actor=boss, at=at, unit_value=Decimal("2.0001"))
    assert value_family(family=family, actor=boss, at=at, unit_value=Decimal(0)).unit_value == 0


def test_held_shims_that_are_missing_are_told_with_who_holds_them(offer, differ, hold, tech, clerk, at, bins):
    promise = hold(3)
    count = differ(2)
    with pytest.raises(Conflict, match="held for job 7") as refusal:
        post_count(count=count, actor=clerk, at=at)
    assert refusal.value.code == "held-shims"
    assert refusal.value.extra == {"holds": [str(promise.id)]}
    words = "3 × 2.625 mm new are missing, 2 are not held; held for job 7"
    assert [(error.pointer, error.detail) for error in refusal.value.errors] == [("/lots/0", words)]
    assert lots(bins[0]) == new(NM, 5, held=3)
    release_hold(hold=promise, actor=tech, at=at)
    post_count(count=count, actor=clerk, at=at)
    assert lots(bins[0]) == new(NM, 2)


def test_an_overdue_hold_is_in_nobody_s_way(offer, differ, hold, clerk, at, bins):
    hold(5, expires_in=timedelta(hours=1))
    count = differ(2)
    post_count(count=count, actor=clerk, at=at + timedelta(hours=2))
    assert lots(bins[0]) == new(NM, 2)


def test_shims_that_went_out_though_they_were_not_there(offer, differ, clerk, at, bins, site, family):
    count = differ(1)
    move = Shims(family=family, thickness_nm=NM, condition=Condition.NEW, quantity=3, place=bins[1])
    move_shims(site=site, actor=clerk, at=at, source=bins[0], shims=[move])
    with pytest.raises(WrongState, match="went out of A1 that by this count were not there"):
        post_count(count=count, actor=clerk, at=at)
    assert lots(bins[0]) == new(NM, 2)


def test_books_that_were_corrected_by_hand_since(offer, differ, clerk, at, bins, site, family):
    count = differ(6)
    shims = Shims(family=family, thickness_nm=NM, condition=Condition.NEW, quantity=1, place=bins[0])
    count_in(site=site, actor=clerk, at=at, shims=[shims], note="found it")
    with pytest.raises(WrongState, match=r"corrected 2\.625 mm in A1 since it was counted"):
        post_count(count=count, actor=clerk, at=at)
    assert lots(bins[0]) == new(NM, 6)


def test_a_difference_that_is_not_believed_is_rejected(offer, differ, clerk, tech, stranger, at, bins):
    count = differ(4)
    with pytest.raises(Invalid, match="Say why"):
        reject_count(count=count, actor=clerk, at=at, note="")
    with pytest.raises(Forbidden):
        reject_count(count=count, actor=tech, at=at, note="no")
    with pytest.raises(NotFound):
        reject_count(count=count, actor=stranger, at=at, note="no")
    count = reject_count(count=count, actor=clerk, at=at, note="counted the wrong drawer")
    assert (count.state, count.note) == ("rejected", "counted the wrong drawer")
    assert lots(bins[0]) == new(NM, 5)
    with pytest.raises(WrongState):
        reject_count(count=count, actor=clerk, at=at, note="again")
    assert differ(4).number == 2


def test_a_large_difference_only_a_manager_rejects(differ, clerk, boss, at):
    count = differ(4)
    assert count.state == "to_approve"
    with pytest.raises(Forbidden):
        reject_count(count=count, actor=clerk, at=at, note="no")
    assert reject_count(count=count, actor=boss, at=at, note="no").state == "rejected"


def test_a_finished_count_is_not_called_off(offer, differ, clerk, at):
    with pytest.raises(WrongState, match="post or reject it"):
        cancel_count(count=differ(4), actor=clerk, at=at)


def test_an_unfinished_count_is_not_posted(offer, site, clerk, at, bins, receive):
    (count,) = open_counts(site=site, actor=clerk, at=at, places=[bins[0]])
    for act in (post_count, reject_count):
        with pytest.raises(WrongState, match="while it stands at: To count"):
            act(count=count, actor=clerk, at=at, note="too soon")


def test_who_may_post(offer, differ, tech, stranger, at):
    count = differ(4)
    with pytest.raises(Forbidden):
        post_count(count=count, actor=tech, at=at)
    with pytest.raises(NotFound):
        post_count(count=count, actor=stranger, at=at)


def test_a_posted_difference_can_be_reversed(offer, differ, clerk, boss, at, bins):
    count = post_count(count=differ(4), actor=clerk, at=at)
    reverse_movement(movement=count.movement, actor=boss, at=at, note="it lay under the drawer")
    assert lots(bins[0]) == new(NM, 5)
