"""The cabinets as they stand, and where shims should be put."""

import pytest

from inventory.models import Condition, Place, PlaceKind
from inventory.selectors.cabinets import bin_at_a_glance, cabinets_of
from inventory.selectors.putaway import proposed_for, to_put_away
from inventory.services.bins import retire_bin
from inventory.services.counting import open_counts
from inventory.services.floor import Shims, count_in, receive_shims
from inventory.services.holds import Wanted, hold_shims

pytestmark = pytest.mark.django_db

NM = 2_625_000


@pytest.fixture
def put(site, clerk, at, family):
    def act(place, nm, quantity=1, condition=Condition.USED):
        shims = Shims(family=family, thickness_nm=nm, condition=condition, quantity=quantity, place=place)
        count_in(site=site, actor=clerk, at=at, shims=[shims], note="opening count")

    return act


def placed(place, row, column, cabinet="A", **fields):
    Place.objects.filter(pk=place.pk).update(cabinet=cabinet, row=row, column=column, **fields)


def test_rows_and_columns_as_they_are(site, bins, at):
    placed(bins[1], 2, 3)
    placed(bins[2], 1, 1, cabinet="B")
    placed(bins[3], None, None, cabinet="")
    found = cabinets_of(site, at=at)
    drawn = {
        cabinet.name: [[[glance.place.code for glance in cell] for cell in row] for row in cabinet.rows]
        for cabinet in found.cabinets
    }
    assert drawn == {"A": [[["A1"], [], []], [[], [], ["A2"]]], "B": [[["A3"]]]}
    assert [glance.place.code for glance in found.loose] == ["A4"]


def test_a_retired_bin_is_not_drawn(site, bins, clerk, at):
    retire_bin(place=bins[0], actor=clerk, at=at)
    assert cabinets_of(site, at=at).cabinets[0].rows[0][0] == []


def test_a_site_without_bins(other_site, at):
    found = cabinets_of(other_site, at=at)
    assert (found.cabinets, found.loose) == ([], [])


def test_a_bin_at_a_glance(site, bins, clerk, tech, at, family, receive, put):
    receive(0, 5)
    put(bins[0], 2_619_000, 2)
    put(bins[0], 2_634_000)
    put(bins[0], 2_700_000, 1, Condition.UNMEASURED)
    Place.objects.filter(pk=bins[0].pk).update(capacity=12)
    wanted = Wanted(place=bins[0], family_id=family.id, thickness_nm=NM, condition=Condition.NEW, quantity=2)
    hold_shims(site=site, actor=tech, at=at, lines=[wanted], reference="job 7")
    open_counts(site=site, actor=clerk, at=at, places=[bins[0]])
    glance = bin_at_a_glance(Place.objects.select_related("family").get(pk=bins[0].pk), at=at)
    assert (glance.content, glance.held, glance.available, glance.fill_percent) == (9, 2, 7, 75)
    assert [glance.count_of(condition) for condition in Condition] == [5, 3, 1]
    assert (glance.used.count, glance.used.mean_nm, glance.used.spread_nm) == (3, 2_624_000, 15_000)
    assert [lot.thickness_nm for lot in glance.misplaced] == [2_700_000]
    assert glance.under_count
    assert not glance.over_full


def test_a_drawer_takes_its_neighbours_grades_that_have_no_bin(bins, clerk, at, put):
    """What no other bin is nearer to lies where it should."""
    put(bins[0], 2_650_000)
    assert [lot.thickness_nm for lot in bin_at_a_glance(bins[0], at=at).misplaced] == [2_650_000]
    retire_bin(place=bins[1], actor=clerk, at=at)
    assert bin_at_a_glance(bins[0], at=at).misplaced == []


def test_fill_without_and_above_capacity(bins, put, at):
    assert bin_at_a_glance(bins[0], at=at).fill_percent is None
    put(bins[0], NM, 3)
    bins[0].capacity = 2
    glance = bin_at_a_glance(bins[0], at=at)
    assert (glance.fill_percent, glance.over_full) == (150, True)


def test_as_many_queries_however_many_bins(site, bins, receive, django_assert_num_queries, at):
    for index in range(4):
        receive(index)
    with django_assert_num_queries(5):
        assert len(cabinets_of(site, at=at).cabinets[0].rows[0]) == 4


def test_where_a_shim_should_go(site, bins, family, put):
    placed(bins[0], 1, 1, capacity=5)
    placed(bins[3], 1, 4, family=None, size_nm=None)
    put(bins[0], NM, 3)
    proposed = proposed_for(site, family, 2_634_000, 6)
    assert [(each.place.code, each.quantity, each.why) for each in proposed.bins] == [
        ("A1", 2, "kept for 2.625 mm"),
        ("A4", 4, "empty and near its grade"),
    ]
    assert (proposed.first, proposed.left) == (bins[0], 0)


def test_no_room_anywhere_is_said(site, bins, family, put):
    placed(bins[0], 1, 1, capacity=1)
    put(bins[0], NM)
    proposed = proposed_for(site, family, NM, 2)
    assert (proposed.bins, proposed.first, proposed.left) == ([], None, 2)


def test_everything_that_waits_reckons_with_what_goes_before(site, bins, family, clerk, at):
    placed(bins[0], 1, 1, capacity=4)
    placed(bins[3], 1, 4, family=None, size_nm=None)
    waiting = [
        Shims(family=family, thickness_nm=nm, condition=condition, quantity=3)
        for nm, condition in ((NM, Condition.NEW), (2_630_000, Condition.USED))
    ]
    receive_shims(site=site, actor=clerk, at=at, shims=waiting)
    found = to_put_away(site)
    assert [
        (entry.lot.thickness_nm, [(each.place.code, each.quantity) for each in entry.proposed.bins])
        for entry in found
    ] == [(NM, [("A1", 3)]), (2_630_000, [("A1", 1), ("A4", 2)])]
    assert to_put_away(site, PlaceKind.INSPECTION) == []
