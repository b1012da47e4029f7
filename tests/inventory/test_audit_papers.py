"""The audit names papers that tell another story than the ledger: transfers, posted counts, retired bins."""

import pytest

from inventory.compute.lengths import from_nm
from inventory.models import Condition, Place, TalliedLot, Transfer, TransferLine
from inventory.selectors import audit as books
from inventory.services.count_posting import approve_count, post_count
from inventory.services.counting import Found, key_count, open_counts
from inventory.services.floor import Shims, reverse_movement
from inventory.services.transfers import arrive_shims, recall_transfer, send_shims
from tests.audited import differences

pytestmark = [pytest.mark.django_db, pytest.mark.broken_books]

NM = 2_625_000


def audit():
    """What the audit says, and what the tests ask for after each of them leaves nothing out."""
    found = books.audit()
    assert differences() == found
    return found


@pytest.fixture
def sent(site, other_site, clerk, at, family, bins, receive):
    receive(0, 5)
    shims = Shims(family=family, thickness_nm=NM, condition=Condition.NEW, quantity=3, place=bins[0])
    return send_shims(site=site, target=other_site, actor=clerk, at=at, shims=[shims])


@pytest.fixture
def posted(site, clerk, tech, boss, at, family, bins, receive):
    receive(0, 5)
    (count,) = open_counts(site=site, actor=clerk, at=at, places=[bins[0]])
    found = Found(family=family, thickness=from_nm(NM), condition=Condition.NEW, quantity=4)
    for actor in (tech, clerk):
        count = key_count(count=count, actor=actor, at=at, found=[found])
    return post_count(count=approve_count(count=count, actor=boss, at=at), actor=clerk, at=at)


def test_a_transfer_on_its_way_and_over_is_clean(sent, stranger, clerk, at):
    assert audit() == []
    transfer = arrive_shims(transfer=sent, actor=stranger, at=at, arrived={0: 1})
    assert audit() == []
    recall_transfer(transfer=transfer, actor=clerk, at=at)
    assert audit() == []


def test_a_transfer_that_tells_another_number(sent, at):
    TransferLine.objects.update(arrived=1)
    words = "transit: 2.625 mm new of disc29 from north: the transfers say 2, the balance says 3"
    assert audit() == [words]
    Transfer.objects.update(state="closed", closed_at=at)
    assert audit() == [words.replace("say 2", "say 0")]


def test_a_posted_count_is_clean_also_once_it_is_reversed(posted, boss, at):
    assert audit() == []
    reverse_movement(movement=posted.movement, actor=boss, at=at, note="found it")
    assert audit() == []


def test_a_count_that_was_changed_after_it_was_posted(posted):
    TalliedLot.objects.filter(tally__confirmed=True).update(difference=-2)
    booked = f"Count 1 of A1 at north was posted by movement {posted.movement_id}"
    assert audit() == [f"count: {booked}, which is not the difference that was found"]


def test_a_bin_out_of_use_with_shims_in_it(receive, bins, at):
    receive(0, 5)
    Place.objects.filter(pk=bins[0].pk).update(retired_at=at)
    assert audit() == ["retired: A1 at north is out of use and holds 5 × 2.625 mm new"]
