"""Shims that would go into a bin kept for another family: every act asks whether that is meant."""

import pytest

from inventory.compute.lengths import parse
from inventory.models import Condition, Movement, Place, Reason
from inventory.services.catalogue import add_bin, add_offer, add_supplier
from inventory.services.floor import Shims, count_in, move_shims, put_away, receive_shims, return_to_bin
from inventory.services.ledger import post_movement, transfer
from inventory.services.purchasing import Buy, mark_bought
from inventory.services.receiving import receive_purchase
from inventory.services.regrading import regrade_shims
from inventory.services.shim_lines import KeptForAnother
from inventory.services.transfers import arrive_shims, recall_transfer, send_shims
from tests.inventory.lots import lots, new, nine_mm_caps, used

pytestmark = pytest.mark.django_db

NM = 2_250_000


@pytest.fixture
def caps(service):
    """Another family, of which no bin is kept anything."""
    return nine_mm_caps(service)


@pytest.fixture
def loose(site, service, at):
    """A bin that takes anything."""
    return add_bin(site=site, actor=service, at=at, code="Z1", cabinet="Z", row=1, column=1)


@pytest.fixture
def cap(caps):
    def act(place, quantity=1, condition=Condition.NEW):
        return Shims(family=caps, thickness_nm=NM, condition=condition, quantity=quantity, place=place)

    return act


@pytest.fixture
def by(site, clerk, at):
    return {"site": site, "actor": clerk, "at": at}


@pytest.fixture
def acts(cap, by, loose, places, service):
    """Each act that puts a shim into a named bin, ready to be done: name -> (act, what then lies there)."""
    receive_shims(**by, shims=[cap(loose, 5), cap(None, 5)])
    post_movement(
        **by,
        reason=Reason.RECOVER,
        lines=transfer(
            source=places["engine"],
            target=places["inspection"],
            family_id=cap(None).family.pk,
            thickness_nm=NM,
            condition=Condition.USED,
            quantity=1,
        ),
    )
    return {
        "receive": lambda target, **more: receive_shims(**by, shims=[cap(target)], **more),
        "put_away": lambda target, **more: put_away(**by, shims=[cap(target)], **more),
        "move": lambda target, **more: move_shims(**by, source=loose, shims=[cap(target)], **more),
        "return_to_bin": lambda target, **more: return_to_bin(
            **by, shims=[cap(target, condition=Condition.USED)], **more
        ),
        "count": lambda target, **more: count_in(**by, shims=[cap(target)], note="opening count", **more),
    }


@pytest.mark.parametrize("name", ["receive", "put_away", "move", "return_to_bin", "count"])
def test_every_act_of_the_floor_asks_first(name, acts, bins):
    before = Movement.objects.count()
    with pytest.raises(KeptForAnother) as refusal:
        acts[name](bins[0])
    assert (refusal.value.code, refusal.value.status) == ("kept-for-another", 409)
    assert "A1 is kept for 29 mm disc; these are 9 mm cap" in refusal.value.message
    assert [error.pointer for error in refusal.value.errors] == ["/lines/0/bin"]
    assert Movement.objects.count() == before
    assert lots(bins[0]) == {}
    acts[name](bins[0], confirm=True)
    assert sum(on_hand for on_hand, _ in lots(bins[0]).values()) == 1
    assert Movement.objects.latest("seq").reason == name


@pytest.mark.parametrize("name", ["receive", "put_away", "return_to_bin", "count"])
def test_a_bin_for_anything_or_for_its_family_asks_nothing(name, acts, loose, bins, caps):
    Place.objects.filter(pk=bins[1].pk).update(family=caps, size_nm=None)
    acts[name](loose)


def test_another_size_of_the_same_family_is_no_question(by, bins, family):
    shims = Shims(family=family, thickness_nm=2_700_000, condition=Condition.NEW, quantity=1, place=bins[0])
    receive_shims(**by, shims=[shims])
    assert lots(bins[0]) == new(2_700_000, 1)


def test_a_purchase_list_taken_into_a_named_bin(by, bins, caps, service):
    supplier = add_supplier(actor=service, code="near", name="Nearby Shims", lead_days=1)
    add_offer(actor=service, supplier=supplier, family=caps, price=3, currency="EUR")
    bought = mark_bought(**by, supplier=supplier, buys=[Buy(family=caps, thickness_nm=NM, quantity=2)])
    line = bought.lines.get()
    received = {"purchase_list": bought, "actor": by["actor"], "at": by["at"], "received": {line.pk: 2}}
    with pytest.raises(KeptForAnother) as refusal:
        receive_purchase(**received, bins={line.pk: bins[0]})
    assert [error.pointer for error in refusal.value.errors] == [f"/bins/{line.pk}"]
    receive_purchase(**received, bins={line.pk: bins[0]}, confirm=True)
    assert lots(bins[0]) == new(NM, 2)


def test_a_parcel_taken_into_a_named_bin(by, cap, loose, other_site, stranger, family, at):
    receive_shims(**by, shims=[cap(loose, 2)])
    there = add_bin(
        site=other_site, actor=stranger, at=at, code="H1", cabinet="H", row=1, column=1, family=family
    )
    parcel = send_shims(**by, target=other_site, shims=[cap(loose, 2)])
    with pytest.raises(KeptForAnother) as refusal:
        arrive_shims(transfer=parcel, actor=stranger, at=at, places={0: there})
    assert [error.pointer for error in refusal.value.errors] == ["/places/0"]
    arrive_shims(transfer=parcel, actor=stranger, at=at, arrived={0: 1}, places={0: there}, confirm=True)
    assert lots(there) == new(NM, 1)


def test_what_goes_back_to_where_it_was_asks_nothing(by, cap, bins, other_site):
    receive_shims(**by, shims=[cap(bins[0], 2)], confirm=True)
    parcel = send_shims(**by, target=other_site, shims=[cap(bins[0], 2)])
    recall_transfer(transfer=parcel, actor=by["actor"], at=by["at"])
    assert lots(bins[0]) == new(NM, 2)


def test_regraded_shims_into_a_named_bin(by, cap, loose, bins, family):
    receive_shims(**by, shims=[cap(loose, 2)])
    regrade = {**by, "found": cap(loose), "measured": parse("2.251", "mm"), "note": "worn"}
    with pytest.raises(KeptForAnother) as refusal:
        regrade_shims(**regrade, target=bins[0])
    assert [error.pointer for error in refusal.value.errors] == ["/target"]
    regrade_shims(**regrade, target=bins[0], confirm=True)
    assert lots(bins[0]) == used(2_251_000, 1)
    # They really are of the family that the bin is kept for: no question.
    regrade_shims(**regrade, target=bins[0], family=family)
