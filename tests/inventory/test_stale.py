"""Places that should drain are told of when they do not (bar L18)."""

from datetime import timedelta

import pytest
from django.core.management import CommandError, call_command

from inventory.models import Condition, PlaceKind
from inventory.selectors.stale import stale_lots
from inventory.services.floor import Shims, put_away, receive_shims
from inventory.services.holds import Wanted, hand_out_hold, hold_shims
from inventory.services.transfers import arrive_shims, send_shims

pytestmark = pytest.mark.django_db

NM = 2_625_000
WEEK = timedelta(days=7)


@pytest.fixture
def deliver(site, clerk, at, family):
    def act(days, quantity=2):
        shims = Shims(family=family, thickness_nm=NM, condition=Condition.NEW, quantity=quantity)
        receive_shims(site=site, actor=clerk, at=at + timedelta(days=days), shims=[shims])

    return act


def stale(at, days, **wanted):
    found = stale_lots(at=at + timedelta(days=days), older_than=WEEK, **wanted)
    return [(lot.place.code, lot.on_hand, (lot.since - at).days) for lot in found]


def test_on_the_day_it_is_not_yet_stale(deliver, at):
    deliver(0)
    assert stale(at, 7) == []
    assert stale(at, 8) == [("receiving", 2, 0)]


def test_what_came_first_has_left_first(deliver, at, site, clerk, family, bins):
    deliver(0)
    deliver(5)
    shims = Shims(family=family, thickness_nm=NM, condition=Condition.NEW, quantity=1, place=bins[0])
    put_away(site=site, actor=clerk, at=at, shims=[shims])
    assert stale(at, 9) == [("receiving", 3, 0)]
    put_away(site=site, actor=clerk, at=at, shims=[shims])
    assert stale(at, 9) == []
    assert stale(at, 13) == [("receiving", 2, 5)]


def test_a_drained_place_is_not_told_of(deliver, at, site, clerk, family, bins):
    deliver(0)
    shims = Shims(family=family, thickness_nm=NM, condition=Condition.NEW, quantity=2, place=bins[0])
    put_away(site=site, actor=clerk, at=at, shims=[shims])
    assert stale(at, 99) == []


def test_trays_and_transit(at, site, other_site, clerk, stranger, tech, family, bins, receive, tray):
    receive(0, 5)
    wanted = Wanted(place=bins[0], family_id=family.id, thickness_nm=NM, condition=Condition.NEW, quantity=1)
    hold = hold_shims(site=site, actor=tech, at=at, lines=[wanted], reference="job 7")
    hand_out_hold(hold=hold, tray=tray, actor=tech, at=at)
    shims = Shims(family=family, thickness_nm=NM, condition=Condition.NEW, quantity=3, place=bins[0])
    transfer = send_shims(site=site, target=other_site, actor=clerk, at=at + timedelta(days=1), shims=[shims])
    assert stale(at, 9) == [("T1", 1, 0), ("transit", 3, 1)]
    assert stale(at, 9, site=other_site) == []
    assert stale(at, 9, kinds=[PlaceKind.TRANSIT]) == [("transit", 3, 1)]
    arrive_shims(transfer=transfer, actor=stranger, at=at, arrived={0: 2})
    assert stale(at, 9, site=site) == [("T1", 1, 0), ("transit", 1, 1)]


def test_the_audit_says_so_in_monitoring(deliver, at, capsys, settings):
    """`audit --stale` exits 1 where a place does not drain, 0 where all do."""
    deliver(0)
    with pytest.raises(SystemExit) as ended:
        call_command("audit", "--stale")
    assert ended.value.code == 1
    assert "2 × 2.625 mm new in receiving at north since 2026-03-02" in capsys.readouterr().out
    settings.COLDGAP = settings.COLDGAP | {"STALE_DAYS": 365 * 40}
    call_command("audit", "--stale")
    assert "Nothing has lain" in capsys.readouterr().out


def test_only_known_words(db):
    with pytest.raises(CommandError):
        call_command("audit", "--rotten")
