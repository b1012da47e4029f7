"""Bins merged and split: shims, promises and history go along."""

from datetime import timedelta

import pytest

from inventory.models import Condition, Hold, Movement, Place, PlaceEvent, Reason
from inventory.selectors.movements import history_of_place
from inventory.services.bin_content import merge_bins, split_bin
from inventory.services.bins import restore_bin
from inventory.services.counting import open_counts
from inventory.services.floor import Shims, count_in, reverse_movement
from inventory.services.holds import Wanted, hand_back_hold, hand_out_hold, hold_shims, release_hold
from shop.errors import Conflict, Forbidden, Invalid, NotFound, WrongState
from tests.inventory.lots import lots, new, used

pytestmark = pytest.mark.django_db

NM = 2_625_000


@pytest.fixture
def hold(site, clerk, at, family):
    def act(place, quantity, nm=NM, condition=Condition.NEW, expires_in=None):
        wanted = Wanted(
            place=place, family_id=family.id, thickness_nm=nm, condition=condition, quantity=quantity
        )
        return hold_shims(
            site=site, actor=clerk, at=at, lines=[wanted], reference="job 7", expires_in=expires_in
        )

    return act


@pytest.fixture
def spare(bins):
    """A bin that is kept for nothing in particular."""
    Place.objects.filter(pk=bins[3].pk).update(family=None, size_nm=None)
    return Place.objects.select_related("site").get(pk=bins[3].pk)


@pytest.fixture
def put(site, clerk, at, family):
    def act(place, nm, quantity=1, condition=Condition.USED):
        shims = Shims(family=family, thickness_nm=nm, condition=condition, quantity=quantity, place=place)
        count_in(site=site, actor=clerk, at=at, shims=[shims], note="opening count")

    return act


def test_everything_goes_over_with_its_promises(bins, spare, clerk, at, receive, put, hold):
    receive(0, 5)
    put(bins[0], 2_634_000)
    promise = hold(bins[0], 3)
    target = merge_bins(source=bins[0], target=spare, actor=clerk, at=at, note="two half empty drawers")
    assert target == spare
    assert lots(bins[0]) == {}
    assert lots(spare) == new(NM, 5, held=3) | used(2_634_000, 1)
    line = promise.lines.get()
    assert (line.place, line.taken_from) == (spare, spare)
    bins[0].refresh_from_db()
    assert bins[0].retired_at == at
    assert history_of_place(bins[0]).count() == 4
    merged = PlaceEvent.objects.filter(act="merge").order_by("place__code")
    assert [(event.place.code, event.other.code) for event in merged] == [("A1", "A4"), ("A4", "A1")]
    assert {event.movement.reason for event in merged} == {Reason.MOVE}
    words = "A1 merged into A4, 3 held for job 7: two half empty drawers"
    assert {event.text for event in merged} == {words}
    release_hold(hold=promise, actor=clerk, at=at)
    assert lots(spare) == new(NM, 5) | used(2_634_000, 1)


def test_a_merge_is_not_undone_into_a_bin_that_is_out_of_use(bins, spare, clerk, boss, at, receive):
    receive(0, 5)
    merge_bins(source=bins[0], target=spare, actor=clerk, at=at)
    undo = {
        "movement": Movement.objects.get(reason=Reason.MOVE),
        "actor": boss,
        "at": at,
        "note": "wrong one",
    }
    with pytest.raises(WrongState, match=r"A1 is out of use\. Bring it back into use first"):
        reverse_movement(**undo)
    restore_bin(place=Place.objects.get(pk=bins[0].pk), actor=clerk, at=at)
    reverse_movement(**undo)
    assert lots(bins[0]) == new(NM, 5)


def test_an_empty_bin_is_merged_without_a_movement(bins, spare, clerk, at):
    merge_bins(source=bins[0], target=spare, actor=clerk, at=at)
    assert not Movement.objects.exists()
    bins[0].refresh_from_db()
    assert bins[0].retired_at == at


def test_shims_out_in_a_tray_come_back_to_the_bin_that_is_left(bins, spare, clerk, at, receive, hold, tray):
    receive(0, 5)
    promise = hand_out_hold(hold=hold(bins[0], 2), tray=tray, actor=clerk, at=at)
    merge_bins(source=bins[0], target=spare, actor=clerk, at=at)
    assert lots(tray) == new(NM, 2, held=2)
    hand_back_hold(hold=promise, actor=clerk, at=at)
    assert lots(spare) == new(NM, 5)


def test_an_overdue_hold_ends_instead_of_moving(bins, spare, clerk, at, receive, hold):
    receive(0, 5)
    promise = hold(bins[0], 2, expires_in=timedelta(minutes=5))
    merge_bins(source=bins[0], target=spare, actor=clerk, at=at + timedelta(hours=1))
    promise.refresh_from_db()
    assert promise.state == Hold.State.EXPIRED
    assert lots(spare) == new(NM, 5)


def test_an_overdue_hold_elsewhere_gives_its_shims_free_though_nothing_moves(
    bins, spare, clerk, at, put, hold
):
    put(bins[1], NM, 5, Condition.NEW)
    promise = hold(bins[1], 2, expires_in=timedelta(minutes=5))
    merge_bins(source=bins[0], target=spare, actor=clerk, at=at + timedelta(hours=1))
    promise.refresh_from_db()
    assert promise.state == Hold.State.EXPIRED
    assert lots(bins[1]) == new(NM, 5)


def test_a_bin_kept_for_other_shims_refuses_unless_it_is_widened(bins, clerk, at, receive):
    receive(0, 2)
    receive(1, 2)
    with pytest.raises(Conflict, match=r"A2 is kept for 2\.650 mm; 2\.625 mm does not belong there"):
        merge_bins(source=bins[0], target=bins[1], actor=clerk, at=at)
    assert lots(bins[0]) == new(NM, 2)
    merge_bins(source=bins[0], target=bins[1], actor=clerk, at=at, widen=True)
    bins[1].refresh_from_db()
    assert (bins[1].family_id, bins[1].size_nm) == (bins[0].family_id, None)
    changed = PlaceEvent.objects.get(place=bins[1], act=PlaceEvent.Act.EDIT)
    assert (changed.text, changed.by) == ("Was for 2.650 mm of disc29; now for disc29", clerk.label)
    assert lots(bins[1]) == new(NM, 2) | new(2_650_000, 2)


def test_a_bin_that_would_overflow_refuses(bins, spare, clerk, at, receive):
    receive(0, 5)
    Place.objects.filter(pk=spare.pk).update(capacity=4)
    with pytest.raises(Conflict, match="A4 takes 4 shims; with these it would hold 5"):
        merge_bins(source=bins[0], target=spare, actor=clerk, at=at)
    Place.objects.filter(pk=spare.pk).update(capacity=5)
    merge_bins(source=bins[0], target=spare, actor=clerk, at=at)


def test_neither_bin_is_being_counted(bins, spare, clerk, at, site):
    open_counts(site=site, actor=clerk, at=at, places=[spare])
    with pytest.raises(WrongState, match="A4 is being counted"):
        merge_bins(source=bins[0], target=spare, actor=clerk, at=at)


def test_bins_that_cannot_be_merged(bins, tray, clerk, at, other_site, stranger):
    elsewhere = Place.objects.create(site=other_site, kind="bin", code="H1")
    for target, words in ((bins[0], "into itself"), (elsewhere, "no bin of North Yard"), (tray, "is no bin")):
        with pytest.raises(Invalid, match=words):
            merge_bins(source=bins[0], target=target, actor=clerk, at=at)


def test_who_may_merge_and_split(bins, spare, tech, stranger, at, family):
    with pytest.raises(Forbidden):
        merge_bins(source=bins[0], target=spare, actor=tech, at=at)
    with pytest.raises(NotFound):
        merge_bins(source=bins[0], target=spare, actor=stranger, at=at)
    new_bin = {"code": "A9", "cabinet": "A", "row": 9, "column": 9, "family": family, "size_nm": NM}
    with pytest.raises(Forbidden):
        split_bin(source=bins[0], actor=tech, at=at, **new_bin)
    with pytest.raises(NotFound):
        split_bin(source=bins[0], actor=stranger, at=at, **new_bin)


def test_a_bin_is_merged_once(bins, spare, clerk, at):
    merge_bins(source=bins[0], target=spare, actor=clerk, at=at)
    with pytest.raises(WrongState, match="out of use: bring it back"):
        merge_bins(source=bins[0], target=spare, actor=clerk, at=at)


@pytest.fixture
def split(clerk, at, family, spare):
    def act(source=spare, **changed):
        fields = {"code": "A9", "cabinet": "A", "row": 2, "column": 1, "family": family, "size_nm": NM}
        return split_bin(source=source, actor=clerk, at=at, **(fields | changed))

    return act


def test_one_grade_is_split_off_with_its_promises(split, spare, put, hold):
    put(spare, NM, 4, Condition.NEW)
    put(spare, 2_634_000)  # nearest to 2.625
    put(spare, 2_640_000)  # nearest to 2.650
    kept, moved = hold(spare, 1, 2_640_000, Condition.USED), hold(spare, 2)
    made = split(capacity=20, note="overfull")
    assert lots(made) == new(NM, 4, held=2) | used(2_634_000, 1)
    assert lots(spare) == used(2_640_000, 1, held=1)
    assert (made.size_nm, made.capacity, made.row, made.column) == (NM, 20, 2, 1)
    assert moved.lines.get().place == made
    assert kept.lines.get().place == spare
    texts = set(PlaceEvent.objects.exclude(act=PlaceEvent.Act.ADD).values_list("text", flat=True))
    assert texts == {"2.625 mm split off from A4 into A9, 2 held for job 7: overfull"}


def test_what_is_not_there_cannot_be_split_off(split, spare, put):
    put(spare, 2_650_000)
    with pytest.raises(WrongState, match=r"A4 holds no 29 mm disc of 2\.625 mm"):
        split()
    assert not Place.objects.filter(code="A9").exists()


@pytest.mark.parametrize(
    ("changed", "pointer"),
    [
        ({"code": "A1"}, "/code"),
        ({"code": " "}, "/code"),
        ({"size_nm": 2_630_000}, "/size"),
        ({"capacity": 0}, "/capacity"),
        ({"row": 0}, "/row"),
    ],
)
def test_a_new_bin_that_cannot_be_is_named(changed, pointer, split, spare, put):
    put(spare, NM)
    with pytest.raises(Invalid) as refusal:
        split(**changed)
    assert [error.pointer for error in refusal.value.errors] == [pointer]


def test_a_taken_position_and_too_little_room(split, spare, put):
    put(spare, NM, 3)
    with pytest.raises(Conflict, match="A2 is at cabinet A, row 1, column 2"):
        split(row=1, column=2)
    with pytest.raises(Conflict, match="A9 takes 2 shims; with these it would hold 3"):
        split(capacity=2)
    assert lots(spare) == used(NM, 3)
