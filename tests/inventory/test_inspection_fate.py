"""What leaves the bench without naming an inspection: which inspections it ends."""

from dataclasses import replace

import pytest

from inventory.compute.lengths import parse
from inventory.models import Condition, Inspection, Movement, Place, Reason
from inventory.selectors.inspections import became, waiting_inspections
from inventory.services.floor import return_to_bin, reverse_movement, scrap_shims
from inventory.services.inspecting import inspect_shim
from inventory.services.inspection_fate import ProposedForScrap
from inventory.services.regrading import regrade_shims
from inventory.services.shim_lines import Shims
from shop.errors import Invalid
from tests.inventory.lots import nine_mm_caps, pull

pytestmark = pytest.mark.django_db

NM = 2_650_000


@pytest.fixture
def found(family):
    return Shims(family=family, thickness_nm=NM, condition=Condition.UNMEASURED, quantity=1)


@pytest.fixture
def used(found):
    return replace(found, condition=Condition.USED)


@pytest.fixture
def by(site, boss, at):
    return {"site": site, "actor": boss, "at": at}


@pytest.fixture
def four(places, family, service, at):
    """Four shims on the bench, marked 2.650 and not measured."""
    pull(places, family, 4, actor=service, at=at)


@pytest.fixture
def look(by, found, four):
    def act(*readings, shim=found, face="good", again=None):
        lengths = [parse(reading, "mm") for reading in readings]
        return inspect_shim(**by, found=shim, readings=lengths, face=face, marking_legible=True, again=again)

    return act


@pytest.fixture
def scrap(by, places, bins):
    def act(shim, quantity=1, **named):
        shims = [replace(shim, quantity=quantity)]
        return scrap_shims(**by, source=places["inspection"], shims=shims, note="bent", **named)

    return act


def waiting(site):
    return {inspection.pk for some in waiting_inspections(site).values() for inspection in some}


def test_the_last_shim_of_its_lot_takes_the_inspection_along(look, scrap, used, site):
    looked = look("2.650")
    movement = scrap(used)
    looked.refresh_from_db()
    assert looked.taken == movement
    assert became(looked).startswith("scrapped ")
    assert waiting(site) == set()


def test_what_proposed_just_that_goes_first_and_of_those_the_oldest(look, scrap, found, used, site):
    good, _, later = look("2.650"), look(face="pitted"), look(face="pitted")
    scrap(found)
    assert waiting(site) == {good.pk, later.pk}
    scrap(found)
    assert waiting(site) == {good.pk}
    scrap(used)
    assert waiting(site) == set()


def test_another_waits_on_while_a_shim_is_left_for_it(look, scrap, by, used, site, places, service, family):
    """Two of one lot, one of them inspected: the bin stays proposed until no shim is left."""
    good = look("2.650")
    look("2.651")
    regrade_shims(
        **by,
        found=replace(used, thickness_nm=2_651_000, place=places["inspection"]),
        measured=parse("2.650", "mm"),
        note="read wrong",
    )
    scrap(used)
    assert waiting(site) == {good.pk}
    scrap(used)
    assert waiting(site) == set()


def test_many_at_once_take_as_many(look, by, scrap, used, bins, site):
    looks = [look("2.650") for _ in range(3)]
    shims = [replace(used, quantity=2, place=bins[1])]
    movement = return_to_bin(**by, shims=shims, inspected=looks[1])
    assert set(Inspection.objects.filter(taken=movement)) == {looks[0], looks[1]}
    assert waiting(site) == {looks[2].pk}


def test_a_reversal_has_them_wait_again(look, scrap, by, used, site):
    looks = [look("2.650") for _ in range(2)]
    movement = scrap(used, 2)
    assert waiting(site) == set()
    back = reverse_movement(movement=movement, **without_site(by), note="the wrong ones")
    assert waiting(site) == {each.pk for each in looks}
    again = reverse_movement(movement=back, **without_site(by), note="the right ones after all")
    assert waiting(site) == set()
    looks[0].refresh_from_db()
    assert looks[0].taken == again
    assert became(looks[0]).startswith("taken back ")


def test_a_reversed_arrival_takes_the_inspection_of_its_shim(look, by, site, four):
    looked = look(face="pitted")
    (arrival,) = Movement.objects.filter(reason=Reason.RECOVER)
    reverse_movement(movement=arrival, **without_site(by), note="another engine's")
    looked.refresh_from_db()
    assert became(looked).startswith("taken back with the movement that brought it here ")
    assert waiting(site) == set()


def test_a_measuring_that_is_undone_ends_it_and_done_after_all_it_waits_again(look, by, site):
    """The shim lies there as it was found: no inspection proposes anything of it."""
    looked = look("2.640")
    other = look("2.640")
    undo = {**without_site(by), "note": "the wrong shim"}
    back = reverse_movement(movement=looked.movement, **undo)
    looked.refresh_from_db()
    assert looked.taken == back
    assert became(looked).startswith("set back to how it was found ")
    assert waiting(site) == {other.pk}
    reverse_movement(movement=back, **undo)
    looked.refresh_from_db()
    assert (looked.taken, became(looked)) == (None, "")
    assert waiting(site) == {looked.pk, other.pk}


def test_a_second_look_that_is_undone_leaves_the_first(look, by, used, site):
    first = look("2.650", face="pitted")
    second = look("2.652", shim=used, again=first)
    reverse_movement(movement=second.movement, **without_site(by), note="read wrong")
    first.refresh_from_db()
    assert first.looked_again is None
    assert waiting(site) == {first.pk}


def test_a_second_look_that_is_undone_and_done_after_all_counts_instead_of_the_first(look, by, used, site):
    """However often: another shim of the first look's lot lies there, so that counting cannot tell."""
    other, first = look("2.650"), look("2.650", face="pitted")
    second = look("2.652", shim=used, again=first)
    movement = second.movement
    for undone in (True, False, True, False):
        movement = reverse_movement(movement=movement, **without_site(by), note="read wrong")
        first.refresh_from_db()
        second.refresh_from_db()
        assert first.looked_again == (None if undone else second)
        assert waiting(site) == {other.pk, first.pk if undone else second.pk}
        assert became(second).startswith("set back to how it was found ") is undone
        assert became(first).startswith("inspected again ") is not undone


def test_what_was_scrapped_stays_so_when_its_measuring_is_undone(look, scrap, by, used):
    """In the books it is another like it that is set back: they cannot tell the two apart."""
    first, _ = look("2.640"), look("2.640")
    scrapped = scrap(replace(used, thickness_nm=2_640_000), inspected=first)
    reverse_movement(movement=first.movement, **without_site(by), note="the wrong shim")
    first.refresh_from_db()
    assert first.taken == scrapped


def test_a_regrading_ends_it(look, by, used, bins, site, places):
    looked = look("2.650")
    found = replace(used, place=places["inspection"])
    regrade_shims(**by, found=found, measured=parse("2.655", "mm"), note="read wrong", target=bins[1])
    looked.refresh_from_db()
    assert became(looked).startswith("regraded ")
    assert waiting(site) == set()


def test_a_second_look_at_the_only_one_counts_instead(look, used, site):
    first = look("2.650")
    second = look("2.652", shim=used)
    first.refresh_from_db()
    assert first.looked_again == second
    third = look("2.652", shim=replace(used, thickness_nm=2_652_000))
    assert waiting(site) == {third.pk}


def test_a_look_at_another_of_the_lot_leaves_the_first(look, site):
    first, second = look(face="pitted"), look(face="pitted")
    assert waiting(site) == {first.pk, second.pk}


def test_an_inspection_is_of_the_bench_and_of_no_bin(look, by, used, bins, receive):
    looked = look("2.650")
    return_to_bin(**by, shims=[replace(used, place=bins[1])])
    looked.taken = None
    looked.save()
    with pytest.raises(Invalid, match="lies at inspection, not in A2") as refusal:
        scrap_shims(**by, source=bins[1], shims=[used], note="bent", inspected=looked)
    assert [error.pointer for error in refusal.value.errors] == ["/inspection"]


@pytest.fixture
def pitted(look):
    """One of 2.650 whose face is pitted, with its readings: it lies there as used."""
    return look("2.650", face="pitted")


@pytest.mark.parametrize("named", [True, False])
def test_what_is_scrap_goes_into_a_bin_only_when_that_is_confirmed(pitted, named, by, used, bins, site):
    back = {**by, "shims": [replace(used, place=bins[1])], "inspected": pitted if named else None}
    before = Movement.objects.count()
    with pytest.raises(
        ProposedForScrap, match=r"scrap is proposed for the 2\.650 mm .* face is pitted"
    ) as asked:
        return_to_bin(**back)
    assert (asked.value.code, asked.value.status) == ("proposed-for-scrap", 409)
    assert [error.pointer for error in asked.value.errors] == ["/inspection" if named else "/lines/0"]
    assert Movement.objects.count() == before
    assert waiting(site) == {pitted.pk}
    movement = return_to_bin(**back, confirm=True)
    pitted.refresh_from_db()
    assert pitted.taken == movement


def test_the_good_one_beside_it_asks_nothing(pitted, look, by, used, bins, site):
    look("2.650")
    back = {**by, "shims": [replace(used, place=bins[1])]}
    return_to_bin(**back)
    assert waiting(site) == {pitted.pk}
    with pytest.raises(ProposedForScrap):
        return_to_bin(**back)


def test_both_questions_are_asked_at_once(pitted, by, used, bins):
    caps = nine_mm_caps(by["actor"])
    Place.objects.filter(pk=bins[1].pk).update(family=caps, size_nm=None)
    shims = [replace(used, place=Place.objects.get(pk=bins[1].pk))]
    with pytest.raises(ProposedForScrap, match=f"{bins[1].code} is kept for 9 mm cap") as asked:
        return_to_bin(**by, shims=shims)
    assert [error.pointer for error in asked.value.errors] == ["/lines/0", "/lines/0/bin"]


def test_no_regrading_gets_round_the_question(pitted, by, used, bins, places):
    regrade = {**by, "found": replace(used, place=places["inspection"]), "note": "read wrong"}
    with pytest.raises(ProposedForScrap) as asked:
        regrade_shims(**regrade, measured=parse("2.655", "mm"), target=bins[1])
    assert [error.pointer for error in asked.value.errors] == ["/found"]
    regrade_shims(**regrade, measured=parse("2.655", "mm"), target=bins[1], confirm=True)


def without_site(by):
    return {name: value for name, value in by.items() if name != "site"}
