"""New shims back to their supplier."""

import pytest

from inventory.models import Condition, Movement, PlaceKind, Reason, SupplierReturn
from inventory.selectors.places import place_of
from inventory.services.catalogue import add_supplier
from inventory.services.floor import Shims, receive_shims
from inventory.services.holds import Wanted, hold_shims
from inventory.services.supplier_returns import return_to_supplier
from shop.errors import Forbidden, Invalid, NotEnough, NotFound
from tests.inventory.lots import lots, new

pytestmark = pytest.mark.django_db

NM = 2_625_000


@pytest.fixture
def supplier(service):
    return add_supplier(actor=service, code="anvil", name="Anvil & Daughters", lead_days=2)


@pytest.fixture
def give_back(site, clerk, at, family, bins, supplier, receive):
    def act(quantity=2, actor=clerk, reason="ordered twice", **changed):
        shims = Shims(
            family=family,
            thickness_nm=NM,
            condition=changed.pop("condition", Condition.NEW),
            quantity=quantity,
            place=changed.pop("place", bins[0]),
        )
        return return_to_supplier(
            site=site, actor=actor, at=at, supplier=supplier, shims=[shims], reason=reason, **changed
        )

    receive(0, 5)
    return act


def test_what_goes_back_leaves_the_bin_and_is_on_record(give_back, bins, site, supplier):
    returned = give_back(2, reference="RA 118")
    assert lots(bins[0]) == new(NM, 3)
    assert lots(place_of(site, PlaceKind.SUPPLIER)) == new(NM, -3)
    assert (returned.supplier, returned.reference, str(returned)) == (supplier, "RA 118", "Return 1")
    assert returned.movement.reason == Reason.RETURN_TO_SUPPLIER
    assert (returned.movement.document, returned.movement.note) == ("Return 1", "ordered twice")
    assert give_back(1).number == 2


def test_straight_from_receiving(give_back, site, clerk, at, family):
    shims = Shims(family=family, thickness_nm=NM, condition=Condition.NEW, quantity=1)
    receive_shims(site=site, actor=clerk, at=at, shims=[shims])
    receiving = place_of(site, PlaceKind.RECEIVING)
    give_back(1, place=receiving)
    assert lots(receiving) == {}


def test_held_shims_do_not_go_back(give_back, site, clerk, at, family, bins):
    wanted = Wanted(place=bins[0], family_id=family.id, thickness_nm=NM, condition=Condition.NEW, quantity=4)
    hold_shims(site=site, actor=clerk, at=at, lines=[wanted], reference="job 7")
    with pytest.raises(NotEnough, match="1 available"):
        give_back(2)
    assert not SupplierReturn.objects.exists()


@pytest.mark.parametrize(
    ("changed", "pointer"),
    [
        ({"reason": ""}, "/reason"),
        ({"condition": Condition.USED}, "/lines/0/condition"),
        ({"quantity": 0}, "/lines/0/quantity"),
        ({"reference": "R" * 81}, "/reference"),
    ],
)
def test_bad_input_is_named(changed, pointer, give_back):
    with pytest.raises(Invalid) as refusal:
        give_back(**changed)
    assert [error.pointer for error in refusal.value.errors] == [pointer]


def test_not_out_of_a_job_s_tray(give_back, tray):
    with pytest.raises(Invalid, match="T1 is no bin or receiving"):
        give_back(place=tray)


def test_who_may_return(give_back, tech, stranger):
    with pytest.raises(Forbidden):
        give_back(actor=tech)
    with pytest.raises(NotFound):
        give_back(actor=stranger)


def test_what_is_gone_does_not_go_back_again(give_back):
    give_back(5)
    with pytest.raises(NotEnough):
        give_back(5)
    assert Movement.objects.filter(reason=Reason.RETURN_TO_SUPPLIER).count() == 1
