"""The inspection of one recovered shim: readings in either unit, their spread, and what is proposed."""

import pytest

from inventory.compute.lengths import parse
from inventory.models import Condition, Inspection, Place, Reason
from inventory.services.floor import Shims, return_to_bin
from inventory.services.inspecting import inspect_shim
from shop.errors import Forbidden, Invalid, NotEnough, NotFound
from tests.inventory.lots import lots, pull, used

pytestmark = pytest.mark.django_db

NM = 2_650_000


@pytest.fixture
def bench(service, family, places, at):
    """Two shims that were pulled from an engine, marked 2.650 mm and not measured."""
    pull(places, family, 2, actor=service, at=at)
    return places["inspection"]


@pytest.fixture
def inspect(site, tech, at, family, bins, bench):
    def act(*readings, unit="mm", actor=tech, **changed):
        fields = {"face": "good", "marking_legible": True} | changed
        found = Shims(
            family=family,
            thickness_nm=fields.pop("nm", NM),
            condition=fields.pop("condition", Condition.UNMEASURED),
            quantity=1,
        )
        lengths = [parse(reading, unit) if isinstance(reading, str) else reading for reading in readings]
        return inspect_shim(site=site, actor=actor, at=at, found=found, readings=lengths, **fields)

    return act


def left(bench):
    return lots(bench).get((NM, Condition.UNMEASURED), (0, 0))[0]


def test_one_reading_stands_and_the_bin_of_its_grade_is_proposed(inspect, bench, bins, at):
    inspection = inspect("2.634")
    assert lots(bench) == used(2_634_000, 1) | {(NM, Condition.UNMEASURED): (1, 0)}
    assert (inspection.fate, inspection.proposed_bin.code) == ("bin", "A1")
    assert inspection.why == "2.634 mm belongs to the bin for 2.625 mm, the nearest made size."
    assert (inspection.readings, inspection.spread_nm) == (["2.634 mm"], None)
    assert (inspection.thickness_keyed, inspection.by, inspection.at) == ("2.634 mm", "Ines Varga", at)
    assert inspection.movement.reason == Reason.MEASURE


def test_a_figure_keyed_in_inches_stays_in_inches(inspect, bench):
    inspection = inspect("0.1037", unit="in")
    assert inspection.thickness_keyed == "0.1037 in"
    assert lots(bench)[2_633_980, Condition.USED] == (1, 0)


def test_two_readings_give_their_mean(inspect, bench):
    inspection = inspect("2.634", "2.637")
    assert (inspection.thickness_nm, inspection.thickness_keyed) == (2_635_500, "2.6355 mm")
    assert (inspection.readings, inspection.spread_nm) == (["2.634 mm", "2.637 mm"], 3_000)
    assert lots(bench)[2_635_500, Condition.USED] == (1, 0)


def test_readings_too_far_apart_ask_for_a_third(inspect, bench):
    with pytest.raises(Invalid, match="take a third") as refusal:
        inspect("2.634", "2.651")
    assert refusal.value.code == "readings-disagree"
    assert [error.pointer for error in refusal.value.errors] == ["/readings/2"]
    assert left(bench) == 2
    assert inspect("2.634", "2.651", "2.635").thickness_nm == 2_634_500


def test_three_that_do_not_agree_are_measured_anew(inspect, bench):
    with pytest.raises(Invalid, match="no two agree") as refusal:
        inspect("2.634", "2.651", "2.642")
    assert [error.pointer for error in refusal.value.errors] == ["/readings"]
    assert left(bench) == 2


def test_how_far_apart_is_a_setting(inspect, settings):
    settings.COLDGAP = settings.COLDGAP | {"READINGS_SPREAD": "0.001 in"}
    assert inspect("2.600", "2.6254").spread_nm == 25_400


def test_a_pitted_shim_is_scrap_and_needs_no_reading(inspect, bench):
    inspection = inspect(face="pitted")
    assert (inspection.fate, inspection.proposed_bin, inspection.movement) == ("scrap", None, None)
    assert (inspection.thickness_nm, inspection.readings) == (NM, [])
    assert left(bench) == 2
    assert inspect("2.634", face="pitted").fate == "scrap"
    assert left(bench) == 1


def test_far_outside_its_family_it_is_scrap(inspect, bench):
    inspection = inspect("3.350")
    assert (inspection.fate, inspection.movement) == ("scrap", None)
    assert inspection.why == "3.350 mm is 0.150 mm above the thickest size, 3.200 mm."
    assert left(bench) == 2


@pytest.mark.parametrize(
    ("reading", "unit", "words"),
    [
        ("2.634", "in", "2.634 mm was probably meant"),
        ("0.1037", "mm", r"0.1037 in"),
        ("265", "thou", "265"),
        ("0.4", "mm", "not plausible"),
    ],
)
def test_a_slip_of_the_unit_is_no_scrap(reading, unit, words, inspect, bench):
    with pytest.raises(Invalid, match=words) as refusal:
        inspect(reading, unit=unit)
    assert [error.pointer for error in refusal.value.errors] == ["/readings/0"]
    assert left(bench) == 2
    assert not Inspection.objects.exists()


def test_an_unreadable_marking_is_told(inspect):
    assert "write its thickness on the bag" in inspect("2.650", marking_legible=False).why


def test_the_next_free_bin_where_the_grade_s_own_is_full(inspect, bins):
    Place.objects.filter(pk=bins[3].pk).update(family=None, size_nm=None)
    Place.objects.filter(pk=bins[1].pk).update(capacity=0)
    inspection = inspect("2.650")
    assert inspection.proposed_bin.code == "A4"


def test_what_was_inspected_goes_to_the_proposed_bin(inspect, bench, bins, site, tech, at, family):
    inspection = inspect("2.634")
    shims = Shims(
        family=family,
        thickness_nm=2_634_000,
        condition=Condition.USED,
        quantity=1,
        place=inspection.proposed_bin,
    )
    return_to_bin(site=site, actor=tech, at=at, shims=[shims])
    assert lots(bins[0]) == used(2_634_000, 1)


@pytest.mark.parametrize(
    ("readings", "changed", "pointer"),
    [
        ([], {}, "/readings"),
        (["2.634"] * 4, {}, "/readings"),
        (["2.634"], {"face": "shiny"}, "/face"),
        (["2.650"], {"condition": Condition.NEW}, "/found"),
    ],
)
def test_bad_input_is_named(readings, changed, pointer, inspect, bench):
    with pytest.raises(Invalid) as refusal:
        inspect(*readings, **changed)
    assert [error.pointer for error in refusal.value.errors] == [pointer]
    assert left(bench) == 2


def test_who_may_inspect(inspect, clerk, stranger):
    inspect("2.634", actor=clerk)
    with pytest.raises(NotFound):
        inspect("2.634", actor=stranger)


def test_a_key_without_the_scope_may_not(inspect, tech):
    actor = type(tech)(user=tech.user, key_name="calculator", roles=tech.roles, scopes=frozenset({"plan"}))
    with pytest.raises(Forbidden):
        inspect("2.634", actor=actor)


def test_a_shim_that_is_not_there(inspect, bench):
    inspect("2.634")
    inspect("2.634")
    with pytest.raises(NotEnough):
        inspect("2.634")
    with pytest.raises(NotEnough, match=r"no shim of 2\.650 mm used, not measured is at inspection"):
        inspect(face="pitted")
    assert Inspection.objects.count() == 2
