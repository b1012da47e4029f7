"""The report of what counts found, with money and with the holds in the way."""

from datetime import timedelta
from decimal import Decimal

import pytest

from inventory.compute.lengths import from_nm
from inventory.models import BinCount, Condition, Offer
from inventory.selectors.counting import counts
from inventory.selectors.variance import variance_of, variance_report
from inventory.services.catalogue import add_offer, add_supplier
from inventory.services.count_posting import cancel_count, post_count
from inventory.services.counting import Found, key_count, open_counts
from inventory.services.floor import reverse_movement
from inventory.services.holds import Wanted, hold_shims

pytestmark = pytest.mark.django_db

NM = 2_625_000


@pytest.fixture
def offer(service, family):
    supplier = add_supplier(actor=service, code="anvil", name="Anvil & Daughters", lead_days=2)
    return add_offer(actor=service, supplier=supplier, family=family, price=Decimal("4.20"), currency="EUR")


@pytest.fixture
def count_bin(site, clerk, tech, at, family, bins, receive):
    """Two persons count so many new shims in a bin in which the books have five, and as many extra used."""

    def act(index, counted, *, at=at, extra=0):
        receive(index, 5)
        place = bins[index]
        (count,) = open_counts(site=site, actor=clerk, at=at, places=[place])
        found = [
            Found(
                family=family,
                thickness=from_nm(place.size_nm),
                condition=Condition.NEW,
                quantity=counted,
            )
        ]
        if extra:
            found.append(
                Found(
                    family=family,
                    thickness=from_nm(place.size_nm + 4_000),
                    condition=Condition.USED,
                    quantity=extra,
                )
            )
        count = key_count(count=count, actor=tech, at=at, found=found)
        return key_count(count=count, actor=clerk, at=at, found=found) if count.is_open else count

    return act


def test_gains_losses_and_what_agreed(offer, count_bin, site, clerk, at):
    first = count_bin(0, 3, extra=1)
    count_bin(1, 5)
    post_count(count=first, actor=clerk, at=at)
    report = variance_report(site)
    figures = [
        (line.place.code, line.condition, line.counted, line.books, line.difference, line.value)
        for line in report.lines
    ]
    assert figures == [
        ("A1", "new", 3, 5, -2, Decimal("-8.40")),
        ("A1", "used", 1, 0, 1, Decimal("2.10")),
    ]
    (total,) = report.totals
    assert (total.currency, total.gained, total.lost) == ("EUR", Decimal("2.10"), Decimal("-8.40"))
    assert (total.net, total.gross) == (Decimal("-6.30"), Decimal("10.50"))
    assert (report.counted, report.differing, report.unvalued) == (2, 1, 0)


def test_the_lines_add_up_to_the_totals_as_they_are_shown(count_bin, offer, site):
    """A used shim is worth half: with 4.25 each that is 2.125, and 2.13 where money has two decimals."""
    Offer.objects.update(price=Decimal("4.25"))
    counts = [count_bin(index, 5, extra=1) for index in range(2)]
    report = variance_report(site)
    assert [line.value for line in report.lines] == [Decimal("2.13")] * 2
    (total,) = report.totals
    assert (total.gained, total.net) == (Decimal("4.26"), Decimal("4.26"))
    assert [group.totals[0].net for group in report.by_bin] == [Decimal("2.13")] * 2
    assert [count.gross_value for count in counts] == [Decimal("2.13")] * 2


def test_what_was_posted_and_undone_is_in_no_total_until_it_holds_after_all(
    offer, count_bin, site, clerk, boss, at
):
    posted = post_count(count=count_bin(0, 3), actor=clerk, at=at)
    count_bin(1, 4)
    movement = posted.movement
    for undone in (True, False, True):
        movement = reverse_movement(movement=movement, actor=boss, at=at, note="it lay under the tray")
        report = variance_report(site)
        assert (report.differing, report.undone) == (2, int(undone))
        assert sorted(line.undone for line in report.lines) == [False, undone]
        assert [total.lost for total in report.totals] == [Decimal("-4.20" if undone else "-12.60")]
        assert [group.of.code for group in report.by_bin] == (["A2"] if undone else ["A1", "A2"])
        (line,) = variance_of(posted)
        assert line.undone_by == (movement if undone else None)


def test_what_has_no_price_is_in_no_total(count_bin, site):
    count_bin(0, 4)
    report = variance_report(site)
    assert (report.totals, report.unvalued) == ([], 1)
    assert report.lines[0].value is None


def test_by_time_and_state(offer, count_bin, site, at, clerk):
    early, late = count_bin(0, 4), count_bin(1, 4, at=at + timedelta(days=1))
    assert [line.count for line in variance_report(site).lines] == [late, early]
    assert [line.count for line in variance_report(site, since=late.opened_at).lines] == [late]
    assert [line.count for line in variance_report(site, until=late.opened_at).lines] == [early]
    post_count(count=early, actor=clerk, at=at)
    posted = variance_report(site, states=[BinCount.State.POSTED])
    assert [line.count for line in posted.lines] == [early]


def test_whose_holds_are_in_the_way_while_it_is_not_posted(
    offer, count_bin, site, clerk, tech, at, bins, family
):
    count = count_bin(0, 4)
    wanted = Wanted(place=bins[0], family_id=family.id, thickness_nm=NM, condition=Condition.NEW, quantity=1)
    hold_shims(site=site, actor=tech, at=at, lines=[wanted], reference="job 7")
    (line,) = variance_of(count)
    assert [held.hold.reference for held in line.holds] == ["job 7"]
    post_count(count=count, actor=clerk, at=at)
    (line,) = variance_of(count)
    assert line.holds == ()


def test_what_is_not_confirmed_is_told_to_nobody(site, clerk, tech, at, family, bins, receive):
    receive(0, 5)
    (count,) = open_counts(site=site, actor=clerk, at=at, places=[bins[0]])
    found = Found(family=family, thickness=from_nm(NM), condition=Condition.NEW, quantity=4)
    count = key_count(count=count, actor=tech, at=at, found=[found])
    assert variance_of(count) == []
    assert variance_report(site).lines == []
    cancel_count(count=count, actor=clerk, at=at)
    assert variance_report(site).counted == 0


def test_another_site_reports_nothing(offer, count_bin, other_site):
    count_bin(0, 4)
    assert variance_report(other_site).lines == []
    assert not counts(other_site).exists()


def test_counts_by_state_and_bin(offer, count_bin, site, bins):
    count_bin(0, 4)
    count_bin(1, 5)
    assert [count.number for count in counts(site)] == [2, 1]
    assert [count.number for count in counts(site, states=[BinCount.State.DIFFERS])] == [1]
    assert [count.number for count in counts(site, place=bins[1])] == [2]


def test_as_many_queries_however_many_counts(offer, count_bin, site, django_assert_num_queries):
    for index in range(4):
        count_bin(index, 4)
    with django_assert_num_queries(3):
        assert len(variance_report(site).lines) == 4
