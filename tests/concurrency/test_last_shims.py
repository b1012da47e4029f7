"""L1: whoever comes after the last shims, exactly as many get them as there are, and the others are told."""

from datetime import timedelta

import pytest

from inventory.models import Balance, Hold
from inventory.selectors.audit import audit
from inventory.services import holds as holds_module
from inventory.services.holds import Wanted, hold_shims, release_hold
from shop.errors import NotEnough
from tests.concurrency.crowd import at_once, deadlocks, tally
from tests.concurrency.workers import Workers
from tests.inventory.books import count

pytestmark = pytest.mark.django_db(transaction=True)


def want(place, quantity=1):
    return Wanted(
        place=place, family_id=place.family_id, thickness_nm=place.size_nm, condition="new", quantity=quantity
    )


@pytest.fixture
def grab(site, tech, at, bins):
    def act(index, number, at=at):
        return hold_shims(site=site, actor=tech, at=at, lines=[want(bins[0])], reference=f"Order {index}")

    return act


def release_all(tech, at):
    for hold in Hold.objects.filter(state="held"):
        release_hold(hold=hold, actor=tech, at=at)


def test_sixty_four_threads_over_ten_shims(grab, receive, bins, tech, at, size):
    receive(0, 10)
    before = deadlocks()
    slowest = []

    def check(number, outcomes):
        assert tally(outcomes) == {"": 10, "not-enough": 54}, number
        assert count(bins[0]) == (10, 10)
        assert audit() == []
        slowest.append(max(outcome.seconds for outcome in outcomes))
        refusal = next(outcome.error for outcome in outcomes if outcome.error)
        assert refusal.message == (
            "Nothing was held: 1 × 2.625 mm new asked from A1, 0 available. Plan again."
        )
        release_all(tech, at)

    at_once(64, size(4, 100), grab, check)
    assert deadlocks() == before
    assert max(slowest) < 2, slowest


@pytest.mark.postgresql
@pytest.mark.broken_books
def test_read_then_write_sells_more_than_there_are(grab, receive, bins, monkeypatch):
    """The control: the same crowd and a promise that looks first and writes after. SQLite's writers queue
    before they look, so there it cannot show.
    """

    def looks_first(key, quantity, release=0):
        row = Balance.objects.get(
            place_id=key.place_id,
            family_id=key.family_id,
            thickness_nm=key.thickness_nm,
            condition=key.condition,
        )
        if row.on_hand - row.held < quantity:
            return False
        Balance.objects.filter(pk=row.pk).update(held=row.held + quantity)
        return True

    monkeypatch.setattr(holds_module, "promise", looks_first)
    receive(0, 10)

    def check(number, outcomes):
        assert tally(outcomes)[""] > 10

    at_once(64, 1, grab, check)
    assert any(line.startswith("held: ") for line in audit())


def test_an_overdue_hold_keeps_its_shims_from_nobody(grab, receive, bins, tech, at, site, size):
    """L7: eight come at once for the three shims of a hold that is over and that nobody has swept."""
    receive(0, 3)
    late = at + timedelta(days=30)

    def hold_them_all():
        return hold_shims(
            site=site, actor=tech, at=at, lines=[want(bins[0], 3)], reference="Job 4",
            expires_in=timedelta(days=1),
        )  # fmt: skip

    hold_them_all()

    def check(number, outcomes):
        assert tally(outcomes) == {"": 3, "not-enough": 5}, number
        assert count(bins[0]) == (3, 3)
        release_all(tech, late)
        hold_them_all()

    at_once(8, size(15, 200), lambda index, number: grab(index, number, late), check)
    assert audit() == []


def test_eight_processes_after_the_last_three(receive, bins, site, technician, tech, at, tmp_path):
    """Fifty rounds on real processes of the service, on PostgreSQL as its restricted role."""
    receive(0, 3)
    words = [site.pk, bins[0].pk, technician.pk]
    with Workers(8, "tests.concurrency.hold_one", words, folder=tmp_path) as crowd:
        for number in range(50):
            answers = crowd.all_at_once()
            held = [answer for answer in answers if "held" in answer]
            told = [answer for answer in answers if answer.get("refused") == NotEnough.code]
            assert (len(held), len(told)) == (3, 5), (number, answers)
            assert {answer["message"] for answer in told} == {
                "Nothing was held: 1 × 2.625 mm new asked from A1, 0 available. Plan again."
            }
            assert count(bins[0]) == (3, 3)
            release_all(tech, at)
    assert audit() == []
