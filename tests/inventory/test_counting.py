"""Counting a bin, blind: begun, keyed in, counted again by another person; the floor works on meanwhile."""

from datetime import timedelta

import pytest
from django.utils import timezone

from inventory.compute.lengths import from_nm, parse
from inventory.models import BinCount, Condition, Movement, TalliedLot, Tally
from inventory.services.count_posting import cancel_count
from inventory.services.counting import Found, begin_count, key_count, open_counts, open_due_counts
from inventory.services.floor import Shims, move_shims, receive_shims
from shop.background.queue import queue_task
from shop.background.work import run_task
from shop.errors import Conflict, Forbidden, Invalid, NotFound, WrongState

pytestmark = pytest.mark.django_db

NM = 2_625_000


@pytest.fixture
def found(family):
    def lot(quantity, nm=NM, condition=Condition.NEW):
        return Found(family=family, thickness=from_nm(nm), condition=condition, quantity=quantity)

    return lot


@pytest.fixture
def opened(site, clerk, at, bins, receive):
    """A count of A1, in which the books have five new shims of 2.625 mm."""
    receive(0, 5)
    (count,) = open_counts(site=site, actor=clerk, at=at, places=[bins[0]], why="asked by Mara")
    return count


@pytest.fixture
def key(at, opened):
    def act(actor, *lots, count=opened):
        return key_count(count=count, actor=actor, at=at, found=lots)

    return act


@pytest.fixture
def move_one(site, clerk, at, family, bins):
    def act(quantity=1, source=0, target=1):
        shims = Shims(
            family=family, thickness_nm=NM, condition=Condition.NEW, quantity=quantity, place=bins[target]
        )
        move_shims(site=site, actor=clerk, at=at, source=bins[source], shims=[shims])

    return act


def test_asked_for_once_however_often(site, clerk, at, bins, opened):
    again = open_counts(site=site, actor=clerk, at=at, places=[bins[0], bins[1], bins[1]])
    assert [count.number for count in again] == [1, 2]
    assert again[0] == opened
    assert (opened.state, opened.why, str(opened)) == ("open", "asked by Mara", "Count 1")


def test_the_sheet_names_lots_and_no_figure(opened, tech, at):
    sheet = begin_count(count=opened, actor=tech, at=at)
    assert [(lot.thickness_nm, lot.condition) for lot in sheet.lots] == [(NM, "new")]
    assert set(sheet.lots[0].__slots__) == {"family", "thickness_nm", "condition"}


def test_what_the_books_say_is_done(key, tech, found, at):
    count = key(tech, found(5))
    assert (count.state, count.closed_at, count.closed_by) == ("agrees", at, "Ines Varga")
    assert not Movement.objects.filter(reason="count").exists()


def test_a_difference_asks_for_another_person(key, tech, clerk, found):
    count = key(tech, found(4))
    assert count.state == "again"
    with pytest.raises(Conflict, match="You counted A1 last") as refusal:
        key(tech, found(5))
    assert refusal.value.code == "same-person"
    assert key(clerk, found(5)).state == "agrees"


def test_a_difference_that_two_find_stands(key, tech, clerk, found):
    key(tech, found(4))
    count = key(clerk, found(4))
    # No price is known, so a manager has to see it.
    assert (count.state, count.gross_value, count.closed_at) == ("to_approve", None, None)
    assert Tally.objects.get(confirmed=True).by == "Tobi Lund"


def test_two_who_disagree_need_a_third(key, tech, clerk, boss, found):
    key(tech, found(4))
    assert key(clerk, found(3)).state == "again"
    assert key(boss, found(4)).state == "to_approve"


def test_the_first_may_count_again_but_not_confirm_themselves(key, tech, clerk, boss, found):
    key(tech, found(4))
    key(clerk, found(3))
    assert key(tech, found(4)).state == "again"
    assert key(boss, found(3)).state == "to_approve"


def test_a_lot_that_the_books_do_not_know(key, tech, clerk, found):
    used = found(1, 2_634_000, Condition.USED)
    assert key(tech, found(5), used).state == "again"
    assert key(clerk, found(5), used).state == "to_approve"
    confirmed = TalliedLot.objects.filter(tally__confirmed=True).exclude(difference=0)
    assert [(lot.thickness_nm, lot.counted, lot.difference) for lot in confirmed] == [(2_634_000, 1, 1)]


def test_a_shim_that_leaves_while_somebody_counts_is_no_difference(opened, tech, clerk, at, found, move_one):
    """Ines counts five, or the four that were left: by that alone nobody can tell; Tobi's quiet count can."""
    for counted in (5, 4):
        begin_count(count=opened, actor=tech, at=at)
        move_one()
        count = key_count(count=opened, actor=tech, at=at, found=[found(counted)])
        assert count.state == "again"
        count = key_count(count=opened, actor=clerk, at=at, found=[found(4)])
        assert count.state == "agrees", counted
        move_one(source=1, target=0)
        (opened,) = open_counts(site=opened.site, actor=clerk, at=at, places=[opened.place])


def test_nor_does_it_hide_one(opened, tech, clerk, at, found, move_one):
    """Four are there where the books have five. One leaves after Ines has looked: her four might be right."""
    begin_count(count=opened, actor=tech, at=at)
    move_one()
    assert key_count(count=opened, actor=tech, at=at, found=[found(4)]).state == "again"
    assert TalliedLot.objects.get().possible == [-1, 0]
    assert key_count(count=opened, actor=clerk, at=at, found=[found(3)]).state == "to_approve"
    assert TalliedLot.objects.get(tally__confirmed=True).difference == -1


def test_each_difference_is_against_the_books_of_its_own_moment(opened, tech, clerk, at, found, move_one):
    """One shim is missing all along; another leaves between the two counts."""
    key_count(count=opened, actor=tech, at=at, found=[found(4)])
    move_one()
    count = key_count(count=opened, actor=clerk, at=at, found=[found(3)])
    assert count.state == "to_approve"
    assert TalliedLot.objects.get(tally__confirmed=True).difference == -1


def test_beginning_again_counts_from_then(opened, tech, at, found, move_one):
    begin_count(count=opened, actor=tech, at=at)
    move_one(2)
    begin_count(count=opened, actor=tech, at=at)
    assert key_count(count=opened, actor=tech, at=at, found=[found(5)]).state == "again"
    assert TalliedLot.objects.get().possible == [2]
    assert Tally.objects.count() == 1


def test_a_lot_that_came_while_counting_was_not_on_the_sheet(
    opened, tech, at, found, site, clerk, family, bins, receive
):
    receive(1, 1)
    begin_count(count=opened, actor=tech, at=at)
    shims = Shims(family=family, thickness_nm=2_650_000, condition=Condition.NEW, quantity=1, place=bins[0])
    move_shims(site=site, actor=clerk, at=at, source=bins[1], shims=[shims])
    assert key_count(count=opened, actor=tech, at=at, found=[found(5)]).state == "agrees"


def test_the_figure_keyed_is_kept_in_its_unit(opened, tech, at, family, found):
    lot = Found(family=family, thickness=parse("0.104", "in"), condition=Condition.USED, quantity=1)
    key_count(count=opened, actor=tech, at=at, found=[found(5), lot])
    assert set(TalliedLot.objects.values_list("thickness_keyed", flat=True)) == {"2.625 mm", "0.104 in"}


def test_bad_figures_are_named(opened, key, tech, found, family):
    wrong = Found(family=family, thickness=from_nm(NM), condition="shiny", quantity=1)
    cases = [
        ([], [("/found", "one lot of the sheet has no figure; key in 0 where there is none")]),
        ([found(-1)], [("/found/0/quantity", "must be 0 to 100,000")]),
        ([found(100_001)], [("/found/0/quantity", "must be 0 to 100,000")]),
        ([found(5), wrong], [("/found/1/condition", "must be one of new, used, unmeasured")]),
        ([found(5), found(5)], [("/found/1", "2.625 mm new stands here twice; add them up")]),
    ]
    for lots, errors in cases:
        with pytest.raises(Invalid) as refusal:
            key(tech, *lots)
        assert [(error.pointer, error.detail) for error in refusal.value.errors] == errors
    with pytest.raises(Invalid, match=r"Nothing was keyed in: one lot of the sheet has no figure"):
        key(tech)
    with pytest.raises(Invalid) as refusal:
        key(tech, found(5), found(1, 2_630_000))
    assert refusal.value.errors[0].pointer == "/found/1/thickness"
    with pytest.raises(Invalid, match="name at most 250 kinds"):
        key(tech, *[found(1, 2_500_000 + nm, Condition.USED) for nm in range(251)])
    opened.refresh_from_db()
    assert opened.state == "open"
    assert not Tally.objects.exists()


def test_a_count_that_is_over_is_not_keyed_again(key, tech, clerk, found):
    key(tech, found(5))
    with pytest.raises(WrongState, match="Count 1 of A1 is not to be counted: agrees with the books"):
        key(clerk, found(5))


def test_who_may_count(opened, found, at, stranger, service, site, bins):
    for act in (
        lambda actor: begin_count(count=opened, actor=actor, at=at),
        lambda actor: key_count(count=opened, actor=actor, at=at, found=[found(5)]),
    ):
        with pytest.raises(NotFound):
            act(stranger)
        with pytest.raises(Forbidden, match="a person's"):
            act(service)
    with pytest.raises(NotFound):
        open_counts(site=site, actor=stranger, at=at, places=[bins[0]])


def test_what_is_not_counted(site, clerk, at, bins, tray, places, other_site):
    for place in (tray, places["supplier"]):
        with pytest.raises(Invalid, match="nothing that is counted at North Yard"):
            open_counts(site=site, actor=clerk, at=at, places=[bins[0], place])
    with pytest.raises(Invalid, match="1 to 200 bins"):
        open_counts(site=site, actor=clerk, at=at, places=[])
    assert not BinCount.objects.exists()
    open_counts(site=site, actor=clerk, at=at, places=[places["inspection"], places["receiving"]])


def test_called_off(opened, clerk, tech, at, found):
    with pytest.raises(Forbidden):
        cancel_count(count=opened, actor=tech, at=at)
    assert cancel_count(count=opened, actor=clerk, at=at, note="drawer locked").state == "cancelled"
    with pytest.raises(WrongState, match="Count 1 is over: cancelled"):
        cancel_count(count=opened, actor=clerk, at=at)
    with pytest.raises(WrongState):
        key_count(count=opened, actor=tech, at=at, found=[found(5)])


def test_the_rotation_asks_for_what_is_due_once_a_day(
    site, service, tech, at, bins, receive, found, settings
):
    settings.COLDGAP = settings.COLDGAP | {"COUNTS_PER_DAY": 2}
    for index in range(3):
        receive(index, 5 - index)
    later = at + timedelta(days=200)
    assert open_due_counts(site=site, actor=service, at=at) == []
    first = open_due_counts(site=site, actor=service, at=later)
    assert [count.place.code for count in first] == ["A1", "A2"]
    assert open_due_counts(site=site, actor=service, at=later + timedelta(hours=3)) == []
    for count in first:
        key_count(
            count=count,
            actor=tech,
            at=later,
            found=[found(5 if count.place == bins[0] else 4, count.place.size_nm)],
        )
    # Done before noon, and still no more than two a day.
    assert open_due_counts(site=site, actor=service, at=later + timedelta(hours=5)) == []
    (third,) = open_due_counts(site=site, actor=service, at=later + timedelta(days=1))
    assert (third.place, third.why) == (bins[2], "slow mover: every 180 days, never counted yet")


@pytest.mark.django_db(transaction=True)
def test_the_day_s_counts_are_a_task_that_may_run_twice(site, other_site, clerk, family, bins):
    now = timezone.now()
    shims = Shims(family=family, thickness_nm=NM, condition=Condition.NEW, quantity=5, place=bins[0])
    receive_shims(site=site, actor=clerk, at=now - timedelta(days=400), shims=[shims])
    results = []
    for _ in range(2):
        task = queue_task("open_due_counts", {}, at=now)
        assert run_task(task.pk)
        task.refresh_from_db()
        results.append((task.state, task.result))
    assert results == [("done", {"sites": 2, "opened": 1}), ("done", {"sites": 2, "opened": 0})]
    assert [count.place.code for count in BinCount.objects.all()] == ["A1"]
