"""A shim taken out of one engine and put into another, found again in the books."""

from dataclasses import replace

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext

from inventory.compute.lengths import from_nm
from inventory.models import Condition, PlaceKind
from inventory.selectors import traced_books
from inventory.selectors.journeys import traced_shims
from inventory.selectors.places import place_of
from inventory.selectors.traced_books import journeys_of
from inventory.services.count_posting import approve_count, post_count
from inventory.services.counting import Found, key_count, open_counts
from inventory.services.floor import Shims, count_in
from inventory.services.transfers import arrive_shims, send_shims
from shop.errors import Busy
from tests.inventory.engine_work import FIRST, SECOND, THIRD, anew, told, work

__all__ = ["work"]
pytestmark = pytest.mark.django_db


def test_out_of_one_engine_and_into_another(work, site, family, bins):
    work.fit(FIRST, pulled=[(2_650_000, Condition.UNMEASURED)])
    work.store(FIRST, 2_650_000, 2_634_000)
    work.fit(SECOND, fitted=[(2_634_000, bins[0])])
    (shim,) = traced_shims(site, family)
    assert (shim.from_job, shim.to_job, shim.certain, shim.same_engine) == (FIRST, SECOND, True, False)
    # Keyed at its marking when it came out, counted at its measure when it went in.
    assert (shim.out_nm, shim.in_nm, shim.days) == (2_650_000, 2_634_000, 5)
    assert [movement.reason for movement in (shim.out, shim.into)] == ["pull", "fit"]


def test_a_swap_within_one_engine_can_be_left_out(work, site, family, tray):
    work.fit(FIRST, pulled=[(2_634_000, Condition.USED)], fitted=[(2_634_000, tray)])
    assert [shim.same_engine for shim in traced_shims(site, family)] == [True]
    assert list(traced_shims(site, family, same_engine=False)) == []
    assert len(traced_shims(site, family, same_engine=True)) == 1


def test_by_job_and_by_time(work, site, family, bins, at, clerk):
    for job, measured in ((FIRST, 2_634_000), (SECOND, 2_619_000)):
        work.fit(job, pulled=[(2_650_000, Condition.UNMEASURED)])
        work.store(job, 2_650_000, measured)
    work.fit(SECOND, fitted=[(2_634_000, bins[0])])
    work.fit(THIRD, fitted=[(2_619_000, bins[0])])
    found = traced_shims(site, family)
    assert [(shim.from_job, shim.to_job) for shim in found] == [(SECOND, THIRD), (FIRST, SECOND)]
    assert len(traced_shims(site, family, job_id=SECOND)) == 2
    assert [shim.to_job for shim in traced_shims(site, family, job_id=FIRST)] == [SECOND]
    assert [shim.to_job for shim in traced_shims(site, family, since=found[0].into.at)] == [THIRD]
    assert [shim.to_job for shim in traced_shims(site, family, until=found[0].into.at)] == [SECOND]
    assert list(traced_shims(site)) == list(found)


def test_equal_shims_name_every_engine_that_they_may_have_come_from(work, site, family, bins):
    for job in (FIRST, SECOND):
        work.fit(job, pulled=[(2_650_000, Condition.UNMEASURED)])
        work.store(job, 2_650_000, 2_634_000)
    work.fit(THIRD, fitted=[(2_634_000, bins[0])])
    (shim,) = traced_shims(site, family)
    assert (shim.from_job, shim.certain, shim.could_be) == (FIRST, False, (FIRST, SECOND))
    assert len(traced_shims(site, family, job_id=SECOND)) == 1


def test_what_else_it_may_be_in_words(work, site, bins):
    work.fit(FIRST, pulled=[(2_650_000, Condition.UNMEASURED)])
    work.store(FIRST, 2_650_000, 2_634_000)
    work.fit(SECOND, fitted=[(2_634_000, bins[0])])
    (shim,) = traced_shims(site)
    assert (shim.certain, shim.or_else) == (True, "")
    for out, could_be, or_others, words in (
        (shim.out, (FIRST, SECOND), False, "or one of 2"),
        (shim.out, (FIRST, SECOND), True, "or one of more than 2"),
        (shim.out, (None, FIRST), False, "or not known"),
        (shim.out, (None, FIRST, SECOND), False, "or one of 2, or not known"),
        (None, (None,), False, ""),
        (None, (None, FIRST), False, "or an engine here"),
        (None, (None, FIRST, SECOND), False, "or one of 2 engines here"),
        (None, (None, FIRST, SECOND), True, "or one of more than 2 engines here"),
    ):
        other = replace(shim, out=out, could_be=could_be, or_others=or_others, certain=False)
        assert other.or_else == words


def one_in(place, family):
    return Shims(family=family, thickness_nm=2_634_000, condition=Condition.USED, quantity=1, place=place)


def test_of_what_was_counted_in_nobody_knows_where_it_was_before(
    work, site, family, bins, clerk, tech, boss, at
):
    """An equal one, missed only after it was fitted, may have been that very shim."""
    work.fit(FIRST, pulled=[(2_650_000, Condition.UNMEASURED)])
    work.store(FIRST, 2_650_000, 2_634_000)
    count_in(site=site, actor=clerk, at=at, shims=[one_in(bins[1], family)], note="found here")
    work.fit(SECOND, fitted=[(2_634_000, bins[1])])
    for is_missed in (False, True):
        if is_missed:
            (count,) = open_counts(site=site, actor=clerk, at=at, places=[bins[0]])
            none = Found(family=family, thickness=from_nm(2_634_000), condition=Condition.USED, quantity=0)
            for actor in (tech, clerk):
                count = key_count(count=count, actor=actor, at=at, found=[none])
            count = approve_count(count=count, actor=boss, at=at)
            post_count(count=count, actor=clerk, at=at)
        (shim,) = traced_shims(site, family)
        assert (shim.from_job, shim.out, shim.days, shim.could_be) == (None, None, None, (None,))
        assert (shim.certain, shim.or_else) == (False, "")


def test_out_to_another_site_and_back(work, site, other_site, family, bins, clerk, stranger, at):
    """The other site's people tell nothing of it either."""
    work.fit(FIRST, pulled=[(2_650_000, Condition.UNMEASURED)])
    work.store(FIRST, 2_650_000, 2_634_000)
    sent = send_shims(site=site, target=other_site, actor=clerk, at=at, shims=[one_in(bins[0], family)])
    arrive_shims(transfer=sent, actor=stranger, at=at)
    there = place_of(other_site, PlaceKind.RECEIVING)
    back = send_shims(site=other_site, target=site, actor=stranger, at=at, shims=[one_in(there, family)])
    arrive_shims(transfer=back, actor=clerk, at=at, places={0: bins[0]})
    work.fit(SECOND, fitted=[(2_634_000, bins[0])])
    (shim,) = traced_shims(site, family)
    assert (shim.from_job, shim.out, shim.certain) == (None, None, False)
    assert (shim.could_be, shim.or_else) == ((None, FIRST), "or an engine here")
    assert list(traced_shims(site, job_id=FIRST)) == [shim]
    assert told(traced_shims(site)) == anew(site)
    assert list(traced_shims(other_site)) == []


def test_another_site_s_shims_are_not_told(work, site, other_site, family, bins, clerk, at):
    work.fit(FIRST, pulled=[(2_650_000, Condition.UNMEASURED)])
    assert list(traced_shims(other_site, family)) == []


def test_page_by_page_and_either_way_round_it_is_the_whole(work, site, family, tray):
    for job in (FIRST, SECOND, THIRD):
        swapped = [2_634_000, 2_619_000]
        work.fit(
            job,
            pulled=[(nm, Condition.USED) for nm in swapped],
            fitted=[(nm, tray) for nm in swapped],
        )
    shims = traced_shims(site)
    whole = told(shims)
    assert len(shims) == len(whole) == 6
    assert told([shims[0], shims[-1], *shims[1:3]]) == [whole[0], whole[-1], *whole[1:3]]
    for rising, expected in ((False, whole), (True, whole[::-1])):
        last, walked = None, []
        while page := shims.behind(last, most=4, rising=rising):
            walked += told(page)
            last = page[-1].into.pk, page[-1].nth
        assert walked == expected
    only = traced_shims(site, job_id=SECOND)
    assert told(only.behind(None, most=9)) == [row for row in whole if SECOND in (row[2], row[3])]


class TestGoingOn:
    """What was traced stays: the same answer as from the beginning, whatever came since."""

    @pytest.fixture
    def passed_on(self, work, bins):
        def act(job):
            """Out of one engine, into the drawer, into another."""
            work.fit(job, pulled=[(2_650_000, Condition.UNMEASURED)])
            work.store(job, 2_650_000, 2_634_000)
            work.fit(job, fitted=[(2_634_000, bins[0])])

        return act

    def test_from_where_it_was(self, passed_on, site):
        passed_on(FIRST)
        journeys = journeys_of(site)
        assert len(journeys) == 1
        assert journeys_of(site) is journeys
        passed_on(SECOND)
        assert journeys_of(site) is journeys
        assert told(traced_shims(site)) == anew(site)
        assert len(journeys) == 2

    def test_as_many_queries_whatever_the_books_hold(self, passed_on, site):
        asked = []
        for job in (FIRST, SECOND, THIRD):
            passed_on(job)
            journeys_of(site)
            with CaptureQueriesContext(connection) as queries:
                traced_shims(site).behind(None, most=1)
            asked.append(len(queries))
        assert asked == asked[:1] * 3

    def test_anew_where_the_books_went_back(self, passed_on, site):
        passed_on(FIRST)
        kept = told(traced_shims(site))
        with transaction.atomic():
            passed_on(THIRD)
            assert len(traced_shims(site)) == 2
            transaction.set_rollback(True)
        assert told(traced_shims(site)) == kept
        with transaction.atomic():
            passed_on(THIRD)
            assert len(traced_shims(site)) == 2
            transaction.set_rollback(True)
        passed_on(SECOND)  # as many links as were undone
        assert [shim.to_job for shim in traced_shims(site)] == [SECOND, FIRST]
        assert told(traced_shims(site)) == anew(site)

    def test_over_what_another_site_takes_in(
        self, passed_on, work, site, other_site, clerk, stranger, bins, at
    ):
        passed_on(FIRST)
        work.fit(SECOND, pulled=[(2_650_000, Condition.UNMEASURED)])
        work.store(SECOND, 2_650_000, 2_634_000)
        journeys_of(site)
        parcel = send_shims(
            site=site,
            target=other_site,
            actor=clerk,
            at=at,
            shims=[one_in(bins[0], bins[0].family)],
        )
        journeys = journeys_of(site)
        arrive_shims(transfer=parcel, actor=stranger, at=at)
        assert journeys_of(site) is journeys
        passed_on(THIRD)
        assert journeys_of(site) is journeys
        assert told(traced_shims(site)) == anew(site)
        assert told(traced_shims(other_site)) == anew(other_site) == []

    def test_anew_where_a_movement_came_in_late(self, passed_on, site):
        """On PostgreSQL one may have its number before another that is written first."""
        passed_on(FIRST)
        journeys = journeys_of(site)
        books = traced_books._shelf._sites[site.pk][1][0]
        books.last += 1_000
        passed_on(SECOND)
        assert journeys_of(site) is not journeys
        assert told(traced_shims(site)) == anew(site)

    def test_nobody_waits_long_for_another_who_follows_them(self, site, other_site, monkeypatch):
        monkeypatch.setattr(traced_books, "LONGEST_WAIT_SECONDS", 0.01)
        journeys_of(site)
        with traced_books._shelf._sites[site.pk][0]:
            with pytest.raises(Busy):
                journeys_of(site)
            assert journeys_of(other_site) == []
        assert journeys_of(site) == []

    def test_of_so_many_sites_only(self, site, other_site, monkeypatch):
        monkeypatch.setattr(traced_books, "MOST_SITES", 1)
        for one in (site, other_site, site):
            assert journeys_of(one) == []
            assert list(traced_books._shelf._sites) == [one.pk]
