"""Parcels between sites on their pages, regrading, and what goes back to a supplier."""

import pytest

from inventory.models import Balance, Movement, PlaceKind, Reason, SupplierReturn, Transfer
from inventory.selectors.places import place_of
from inventory.services.floor import reverse_movement
from shop.actor import service_actor
from shop.models import Membership, Role, Site
from tests.jobs.shop import AT, mm
from tests.ui.conftest import browser_of
from tests.ui.pages import fields_of, text_of, wrong_fields

pytestmark = pytest.mark.django_db


@pytest.fixture
def island(shop, outsider):
    """The manager's screen at the other site of the parcels."""
    site = Site.objects.get(code="island")
    Membership.objects.create(user=outsider, site=site, role=Role.MANAGER)
    return browser_of(outsider, site)


@pytest.fixture
def lot(shop, workshop):
    return Balance.objects.get(place=workshop.bin("2.550"), on_hand__gt=0)


@pytest.fixture
def send(counter_screen, lot, island):
    def act(quantity, **keyed):
        address = counter_screen.address("send") + "?family=disc29&thinnest=2.54&thickest=2.56"
        asked = fields_of(counter_screen.client.get(address))
        data = asked | {"target": island.site.pk, f"quantity_{lot.pk}": quantity} | keyed
        return counter_screen.client.post(address, data, follow=True)

    return act


def last():
    return Transfer.objects.latest("sent_at", "number")


def in_transit(site):
    return sum(b.on_hand for b in Balance.objects.filter(place=place_of(site, PlaceKind.TRANSIT)))


def test_chosen_from_bins_and_sent(send, counter_screen, lot, shop):
    before, was = in_transit(shop.site), lot.on_hand
    page = send(3, note="they are out")
    assert "On their way to Island Shed." in text_of(page)
    assert "3 × 2.550 mm disc29" in text_of(page)
    lot.refresh_from_db()
    assert (lot.on_hand, in_transit(shop.site)) == (was - 3, before + 3)


def test_two_taps_send_once(counter_screen, lot, island, shop):
    address = counter_screen.address("send") + "?family=disc29"
    data = fields_of(counter_screen.client.get(address)) | {
        "target": island.site.pk,
        f"quantity_{lot.pk}": 1,
    }
    before = Transfer.objects.count()
    counter_screen.client.post(address, data)
    assert "nothing was booked twice" in text_of(counter_screen.client.post(address, data, follow=True))
    assert Transfer.objects.count() == before + 1


@pytest.mark.parametrize(
    ("quantity", "status", "says"), [(99, 409, "available"), ("", 400, "Say how many"), (0, 400, "1 or more")]
)
def test_what_cannot_be_sent(send, quantity, status, says, lot):
    before = Transfer.objects.count()
    page = send(quantity)
    assert page.status_code == status
    assert says in text_of(page)
    assert Transfer.objects.count() == before


def test_is_not_the_technicians(bay_tablet, shop):
    assert bay_tablet.get("send").status_code == 403
    assert bay_tablet.post("transfer", last().pk).status_code == 403


def test_taken_in_short_written_off_and_taken_back(send, island, office, counter_screen, shop):
    before = in_transit(shop.site)
    send(3)
    parcel = last()
    assert counter_screen.post("transfer", parcel.pk).status_code == 404  # it goes to the other site
    asked = fields_of(island.get("transfer", parcel.pk))
    assert asked["count_0"] == "3"
    page = island.post("transfer", parcel.pk, **asked | {"count_0": "4"})
    assert (page.status_code, wrong_fields(page)) == (400, ["count_0"])
    page = island.post("transfer", parcel.pk, **asked | {"count_0": "2", "place_0": ""})
    assert "Taken in from" in text_of(page)
    assert in_transit(shop.site) == before + 1
    # The sender calls the rest lost: a manager's act, with a reason.
    assert counter_screen.get("write_off", parcel.pk).status_code == 403
    form = fields_of(office.get("write_off", parcel.pk))
    assert office.post("write_off", parcel.pk, **form).status_code == 400
    assert "is written off" in text_of(office.post("write_off", parcel.pk, **form | {"note": "lost"}))
    parcel.refresh_from_db()
    assert (parcel.state, in_transit(shop.site)) == ("closed", before)
    lost = Movement.objects.get(of_transfer__transfer=parcel, reason=Reason.COUNT)
    assert "Take back" not in text_of(counter_screen.get("transfer", parcel.pk))
    page = office.get("transfer", parcel.pk)
    assert "Called back or written off" in text_of(page)
    form = fields_of(office.get("take_back", parcel.pk, lost.uid))
    page = office.post("take_back", parcel.pk, lost.uid, **form | {"note": "found behind the seat"})
    assert "is in transit" in text_of(page)
    assert in_transit(shop.site) == before + 1
    form = fields_of(office.get("write_off", parcel.pk))
    office.post("write_off", parcel.pk, **form | {"note": "lost after all"})
    arrival = Movement.objects.get(of_transfer__transfer=parcel, site=island.site)
    form = fields_of(island.get("take_back", parcel.pk, arrival.uid))
    assert "is in transit" in text_of(
        island.post("take_back", parcel.pk, arrival.uid, **form | {"note": "wrong"})
    )
    assert in_transit(shop.site) == before + 2
    assert island.post("take_back", parcel.pk, arrival.uid, **form | {"note": "again"}).status_code == 409


def test_a_stale_parcel_says_what_to_do(send, island):
    send(3)
    parcel = last()
    asked = fields_of(island.get("transfer", parcel.pk))
    island.post("transfer", parcel.pk, **fields_of(island.get("transfer", parcel.pk)) | {"count_0": "1"})
    page = island.post("transfer", parcel.pk, **asked | {"count_0": "1"})
    assert page.status_code == 412
    assert "press again" in text_of(page)
    assert "Taken in from" in text_of(island.post("transfer", parcel.pk, **fields_of(page)))


def test_called_back(send, counter_screen, lot):
    was = lot.on_hand
    send(2)
    parcel = last()
    page = counter_screen.post("recall_transfer", parcel.pk, version=parcel.version)
    assert "is called back" in text_of(page)
    lot.refresh_from_db()
    assert lot.on_hand == was
    again = counter_screen.post("recall_transfer", parcel.pk, version=parcel.version)
    assert again.status_code == 412


def test_back_to_the_supplier(counter_screen, bay_tablet, lot, shop):
    address = counter_screen.address("give_back") + "?family=disc29&thinnest=2.54&thickest=2.56"
    asked = fields_of(counter_screen.client.get(address))
    supplier = shop.bought.supplier
    data = asked | {"supplier": supplier.pk, "reason": "wrong size", f"quantity_{lot.pk}": 2}
    page = counter_screen.client.post(address, data | {"reason": ""}, follow=True)
    assert (page.status_code, wrong_fields(page)) == (400, ["reason"])
    page = counter_screen.client.post(address, data, follow=True)
    assert f"On their way back to {supplier}." in text_of(page)
    assert "2 × 2.550 mm disc29" in text_of(page)
    assert SupplierReturn.objects.get().reason == "wrong size"
    counter_screen.client.post(address, data)
    assert SupplierReturn.objects.count() == 1
    assert "Undone since" not in text_of(counter_screen.get("supplier_returns"))
    back = SupplierReturn.objects.get().movement
    reverse_movement(movement=back, actor=service_actor(), at=AT, note="they stay after all")
    assert "Undone since" in text_of(counter_screen.get("supplier_returns"))
    assert bay_tablet.get("give_back").status_code == 403


def test_regraded(counter_screen, bay_tablet, lot):
    asked = fields_of(counter_screen.get("regrade", lot.place_id)) | {"lot": lot.pk, "quantity": 1}
    page = counter_screen.post("regrade", lot.place_id, **asked | {"measured": "2.541", "note": "worn"})
    assert "1 shim regraded to 2.541 mm." in text_of(page)
    assert Balance.objects.get(place=lot.place, thickness_nm=mm("2.541").nm).on_hand == 1
    # The same form once more is not booked twice.
    page = counter_screen.post("regrade", lot.place_id, **asked | {"measured": "2.541", "note": "worn"})
    assert "nothing was booked twice" in text_of(page)
    asked = fields_of(counter_screen.get("regrade", lot.place_id)) | {"lot": lot.pk, "quantity": 1}
    page = counter_screen.post("regrade", lot.place_id, **asked | {"measured": "2.541"})
    assert (page.status_code, wrong_fields(page)) == (400, ["note"])
    assert bay_tablet.get("regrade", lot.place_id).status_code == 403
