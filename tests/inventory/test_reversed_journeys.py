"""Of what was reversed the books do not say whether it ever happened: what journeys make of that."""

import pytest

from inventory.compute.lengths import from_nm
from inventory.models import Condition
from inventory.selectors.journeys import traced_shims
from inventory.selectors.traced_books import journeys_of
from inventory.services.floor import Shims, move_shims, reverse_movement, scrap_shims
from inventory.services.holds import Wanted, hand_out_hold, hold_shims, release_hold
from inventory.services.regrading import regrade_shims
from inventory.services.transfers import arrive_shims, recall_transfer, send_shims, take_back_arrival
from tests.inventory.engine_work import FIRST, SECOND, THIRD, anew, told, work

__all__ = ["work"]
pytestmark = pytest.mark.django_db


@pytest.fixture
def undo(boss, work):
    def act(movement):
        return reverse_movement(movement=movement, actor=boss, at=work.now(), note="a slip")

    return act


@pytest.fixture
def stored(work, site, bins):
    """A shim of the first engine in the drawer, and traced to there."""
    work.fit(FIRST, pulled=[(2_650_000, Condition.UNMEASURED)])
    work.store(FIRST, 2_650_000, 2_634_000)
    journeys_of(site)


@pytest.fixture
def lot(family, bins):
    """The stored shim, as an act names it; in the drawer unless said."""

    def named(place=bins[0]):
        return Shims(family=family, thickness_nm=2_634_000, condition=Condition.USED, quantity=1, place=place)

    return named


def the_last(site, reason):
    return site.movements.filter(reason=reason).latest("seq")


def told_of(site):
    found = told(traced_shims(site))
    assert found == anew(site)
    return [(row[2], row[3], row[4]) for row in found]


def test_a_fit(stored, work, undo, site, bins):
    work.fit(SECOND, fitted=[(2_634_000, bins[0])])
    assert told_of(site) == [(FIRST, SECOND, (FIRST,))]
    undone = undo(the_last(site, "fit"))
    assert told_of(site) == []
    work.fit(THIRD, fitted=[(2_634_000, bins[0])])
    assert told_of(site) == [(FIRST, THIRD, (FIRST,))]
    undo(the_last(site, "fit"))
    undo(undone)
    assert told_of(site) == [(FIRST, SECOND, (FIRST,))]


@pytest.mark.parametrize("reason", ["return_to_bin", "measure", "recover", "pull"])
def test_what_brought_it_into_the_drawer(stored, work, undo, site, bins, reason):
    """Each act and all behind it taken back, and done again."""
    on_the_way = ["return_to_bin", "measure", "recover", "pull"]
    undone = [undo(the_last(site, reason)) for reason in on_the_way[: on_the_way.index(reason) + 1]]
    assert told_of(site) == []
    for movement in reversed(undone):
        undo(movement)
    work.fit(SECOND, fitted=[(2_634_000, bins[0])])
    assert told_of(site) == [(FIRST, SECOND, (FIRST,))]


def test_a_pull_that_was_another_engine_s(work, undo, site, bins):
    work.fit(FIRST, pulled=[(2_650_000, Condition.UNMEASURED)])
    undo(the_last(site, "pull"))
    work.fit(SECOND, pulled=[(2_650_000, Condition.UNMEASURED)])
    work.store(SECOND, 2_650_000, 2_634_000)
    work.fit(THIRD, fitted=[(2_634_000, bins[0])])
    assert told_of(site) == [(SECOND, THIRD, (SECOND,))]


def test_scrap_a_move_and_a_regrading(stored, work, undo, site, boss, bins, lot):
    by = {"site": site, "actor": boss}
    scrap_shims(**by, at=work.now(), source=bins[0], shims=[lot(None)], note="worn")
    undo(the_last(site, "scrap"))
    move_shims(**by, at=work.now(), source=bins[0], shims=[lot(bins[1])])
    undo(the_last(site, "move"))
    regrade_shims(**by, at=work.now(), found=lot(), measured=from_nm(2_640_000), note="read wrong")
    undo(the_last(site, "regrade"))
    work.fit(SECOND, fitted=[(2_634_000, bins[0])])
    assert told_of(site) == [(FIRST, SECOND, (FIRST,))]


def test_whoever_took_from_the_drawer_meanwhile_may_have_had_it(stored, work, undo, site, boss, bins, lot):
    moved = move_shims(site=site, actor=boss, at=work.now(), source=bins[0], shims=[lot(bins[1])])
    work.fit(SECOND, pulled=[(2_650_000, Condition.UNMEASURED)])
    work.store(SECOND, 2_650_000, 2_634_000)
    work.fit(THIRD, fitted=[(2_634_000, bins[0])])
    assert told_of(site) == [(SECOND, THIRD, (SECOND,))]
    undo(moved)
    assert told_of(site) == [(SECOND, THIRD, (FIRST, SECOND))]


def test_a_call_back_from_another_site(stored, work, undo, site, other_site, boss, bins, lot):
    parcel = send_shims(site=site, target=other_site, actor=boss, at=work.now(), shims=[lot()])
    recall_transfer(transfer=parcel, actor=boss, at=work.now())
    take_back_arrival(
        transfer=parcel,
        movement=the_last(site, "arrive"),
        actor=boss,
        at=work.now(),
        note="it is still there",
    )
    recall_transfer(transfer=parcel, actor=boss, at=work.now())
    work.fit(SECOND, fitted=[(2_634_000, bins[0])])
    assert told_of(site) == [(FIRST, SECOND, (FIRST,))]


def test_what_another_site_took_in_by_mistake_may_have_come_back_as_another(
    stored, work, site, other_site, boss, stranger, bins, lot
):
    parcel = send_shims(site=site, target=other_site, actor=boss, at=work.now(), shims=[lot()])
    arrive_shims(transfer=parcel, actor=stranger, at=work.now())
    journeys_of(site)
    take_back_arrival(
        transfer=parcel,
        movement=other_site.movements.latest("seq"),
        actor=stranger,
        at=work.now(),
        note="it was meant for others",
    )
    recall_transfer(transfer=parcel, actor=boss, at=work.now())
    work.fit(SECOND, fitted=[(2_634_000, bins[0])])
    assert told_of(site) == [(FIRST, SECOND, (None, FIRST))]


def test_a_hand_out(stored, work, undo, site, tech, tray, family, bins):
    held = Wanted(
        place=bins[0], family_id=family.id, thickness_nm=2_634_000, condition=Condition.USED, quantity=1
    )
    hold = hold_shims(site=site, actor=tech, at=work.now(), lines=[held], reference="Order 7", job_id=SECOND)
    hand_out_hold(hold=hold, tray=tray, actor=tech, at=work.now())
    release_hold(hold=hold, actor=tech, at=work.now())
    undo(the_last(site, "hand_out"))
    work.fit(SECOND, fitted=[(2_634_000, bins[0])])
    assert told_of(site) == [(FIRST, SECOND, (FIRST,))]
