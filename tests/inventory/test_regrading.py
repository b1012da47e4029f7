"""Shims that are not what the books say: thickness, condition, family."""

import pytest

from inventory.compute.lengths import parse
from inventory.models import Condition, Inspection, Movement, PlaceKind, Reason
from inventory.selectors.places import place_of
from inventory.services.catalogue import add_family
from inventory.services.floor import Shims
from inventory.services.holds import Wanted, hold_shims
from inventory.services.regrading import regrade_shims
from shop.errors import Forbidden, Invalid, NotEnough, NotFound, WrongState
from tests.inventory.lots import lots, new, used

pytestmark = pytest.mark.django_db

NM = 2_625_000


@pytest.fixture
def regrade(site, clerk, at, family, bins, receive):
    def act(measured="2.634", quantity=1, **changed):
        found = Shims(
            family=family,
            thickness_nm=changed.pop("nm", NM),
            condition=changed.pop("was", Condition.NEW),
            quantity=quantity,
            place=changed.pop("place", bins[0]),
        )
        fields = {"actor": clerk, "note": "put back unmarked"} | changed
        return regrade_shims(site=site, at=at, found=found, measured=parse(measured, "mm"), **fields)

    receive(0, 5)
    return act


def test_a_worn_shim_counts_at_what_it_measures(regrade, bins):
    movement = regrade("2.619")
    assert lots(bins[0]) == new(NM, 4) | used(2_619_000, 1)
    assert (movement.reason, movement.note) == (Reason.REGRADE, "put back unmarked")


def test_a_missorted_new_shim_goes_to_the_bin_of_its_size(regrade, bins):
    regrade("2.650", 2, condition=Condition.NEW, target=bins[1])
    assert lots(bins[0]) == new(NM, 3)
    assert lots(bins[1]) == new(2_650_000, 2)


def test_a_shim_of_another_family_moves_in_both_families_books(regrade, bins, service, site):
    other = add_family(
        actor=service,
        code="disc25",
        name="25 mm disc",
        form="disc_over",
        marking="thousandths",
        diameter=parse("25.0", "mm"),
        thinnest=parse("2.000", "mm"),
        thickest=parse("3.000", "mm"),
        step=parse("0.050", "mm"),
    )
    regrade("2.650", condition=Condition.NEW, family=other)
    assert lots(bins[0]) == new(NM, 4) | new(2_650_000, 1)
    assert lots(place_of(site, PlaceKind.DIFFERENCE)) == {
        (NM, Condition.NEW): (1, 0),
        (2_650_000, Condition.NEW): (-1, 0),
    }


def test_held_shims_are_not_regraded(regrade, site, clerk, at, family, bins):
    wanted = Wanted(place=bins[0], family_id=family.id, thickness_nm=NM, condition=Condition.NEW, quantity=5)
    hold_shims(site=site, actor=clerk, at=at, lines=[wanted], reference="job 7")
    with pytest.raises(NotEnough):
        regrade()
    assert lots(bins[0]) == new(NM, 5, held=5)


@pytest.mark.parametrize(
    ("changed", "pointer"),
    [
        ({"note": " "}, "/note"),
        ({"measured": "2.65"}, "/measured"),
        ({"measured": "2.660", "condition": Condition.NEW}, "/measured"),
        ({"measured": "1.850"}, "/measured"),
        ({"measured": "2.634", "condition": Condition.UNMEASURED}, "/condition"),
        ({"quantity": 0}, "/found/quantity"),
    ],
)
def test_bad_input_is_named(changed, pointer, regrade, bins):
    if changed.get("measured") == "2.65":
        regrade("2.650")
        changed = changed | {"was": Condition.USED, "nm": 2_650_000}
    with pytest.raises(Invalid) as refusal:
        regrade(**changed)
    assert [error.pointer for error in refusal.value.errors] == [pointer]


def test_what_was_never_measured_is_inspected_instead(regrade):
    with pytest.raises(WrongState, match="inspect them instead"):
        regrade(was=Condition.UNMEASURED)


def test_the_target_is_a_bin_of_this_site(regrade, tray):
    with pytest.raises(Invalid, match="T1 is no bin in use at North Yard"):
        regrade(target=tray)


def test_who_may_regrade(regrade, tech, stranger):
    with pytest.raises(Forbidden):
        regrade(actor=tech)
    with pytest.raises(NotFound):
        regrade(actor=stranger)


def test_the_same_shim_is_not_regraded_twice(regrade, bins):
    regrade("2.619", 5)
    with pytest.raises(NotEnough):
        regrade("2.619", 5)
    assert lots(bins[0]) == used(2_619_000, 5)
    assert Movement.objects.filter(reason=Reason.REGRADE).count() == 1
    assert not Inspection.objects.exists()
