"""A shim taken out of one engine and put into another, found again in the books."""

import uuid
from datetime import timedelta

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext

from inventory.compute.lengths import from_nm
from inventory.models import Condition
from inventory.selectors import traced_books
from inventory.selectors.journeys import traced_shims
from inventory.selectors.traced_books import journeys_of
from inventory.services.fitting import Fitted, OneShim, fit_shims, recover_shims
from inventory.services.floor import (
    Shims,
    count_in,
    move_shims,
    return_to_bin,
    reverse_movement,
    scrap_shims,
)
from inventory.services.inspecting import inspect_shim
from inventory.services.regrading import regrade_shims
from inventory.services.transfers import arrive_shims, recall_transfer, send_shims, take_back_arrival

pytestmark = pytest.mark.django_db

FIRST, SECOND, THIRD = (uuid.UUID(int=0x01900000_0000_7000_8000_000000000000 + n) for n in (1, 2, 3))


@pytest.fixture
def work(site, tech, at, family, bins, tray, receive):
    """The acts of a job on one shim, thirty hours apart. Each fit puts a new shim in besides."""
    receive(3, 9)

    class Work:
        hours = 0

        def now(self):
            self.hours += 30
            return at + timedelta(hours=self.hours)

        def fit(self, job, *, pulled=(), fitted=()):
            def shim(nm, condition):
                return OneShim(family_id=family.id, thickness_nm=nm, condition=condition)

            new = Fitted(shim=shim(bins[3].size_nm, Condition.NEW), source=bins[3])

            fit_shims(
                site=site,
                actor=tech,
                at=self.now(),
                tray=tray,
                pulled=[shim(nm, condition) for nm, condition in pulled],
                fitted=[
                    new,
                    *(Fitted(shim=shim(nm, Condition.USED), source=source) for nm, source in fitted),
                ],
                job_id=job,
                document="a job",
            )

        def store(self, job, nm, measured):
            recover_shims(site=site, actor=tech, at=self.now(), tray=tray, job_id=job, document="a job")
            found = Shims(family=family, thickness_nm=nm, condition=Condition.UNMEASURED, quantity=1)
            inspect_shim(
                site=site,
                actor=tech,
                at=self.now(),
                found=found,
                readings=[from_nm(measured)],
                face="good",
                marking_legible=True,
            )
            back = Shims(
                family=family, thickness_nm=measured, condition=Condition.USED, quantity=1, place=bins[0]
            )
            return_to_bin(site=site, actor=tech, at=self.now(), shims=[back])

    return Work()


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


def test_what_was_counted_in_came_from_no_engine(work, site, family, bins, clerk, at):
    shims = Shims(family=family, thickness_nm=2_634_000, condition=Condition.USED, quantity=1, place=bins[0])
    count_in(site=site, actor=clerk, at=at, shims=[shims], note="opening count")
    work.fit(FIRST, fitted=[(2_634_000, bins[0])])
    (shim,) = traced_shims(site, family)
    assert (shim.from_job, shim.out, shim.days, shim.could_be) == (None, None, None, (None,))


def test_another_site_s_shims_are_not_told(work, site, other_site, family, bins, clerk, at):
    work.fit(FIRST, pulled=[(2_650_000, Condition.UNMEASURED)])
    assert list(traced_shims(other_site, family)) == []


def told(shims):
    return [(shim.into.pk, shim.nth, shim.from_job, shim.to_job, shim.could_be) for shim in shims]


def anew(site, **asked):
    """What is told by a process that has traced nothing yet."""
    traced_books._shelf = traced_books._Shelf()
    return told(traced_shims(site, **asked))


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
            shims=[
                Shims(
                    family=bins[0].family,
                    thickness_nm=2_634_000,
                    condition=Condition.USED,
                    quantity=1,
                    place=bins[0],
                )
            ],
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

    def test_of_so_many_sites_only(self, site, other_site, monkeypatch):
        monkeypatch.setattr(traced_books, "MOST_SITES", 1)
        for one in (site, other_site, site):
            assert journeys_of(one) == []
            assert list(traced_books._shelf._sites) == [one.pk]


class TestReversals:
    """Of what was reversed the books do not say whether it ever happened."""

    @pytest.fixture
    def undo(self, boss, work):
        def act(movement):
            return reverse_movement(movement=movement, actor=boss, at=work.now(), note="a slip")

        return act

    @pytest.fixture
    def stored(self, work, site, bins):
        """A shim of the first engine in the drawer, and traced to there."""
        work.fit(FIRST, pulled=[(2_650_000, Condition.UNMEASURED)])
        work.store(FIRST, 2_650_000, 2_634_000)
        journeys_of(site)

    def the_last(self, site, reason):
        return site.movements.filter(reason=reason).latest("seq")

    def told(self, site):
        found = told(traced_shims(site))
        assert found == anew(site)
        return [(row[2], row[3], row[4]) for row in found]

    def test_a_fit(self, stored, work, undo, site, bins):
        work.fit(SECOND, fitted=[(2_634_000, bins[0])])
        assert self.told(site) == [(FIRST, SECOND, (FIRST,))]
        undone = undo(self.the_last(site, "fit"))
        assert self.told(site) == []
        work.fit(THIRD, fitted=[(2_634_000, bins[0])])
        assert self.told(site) == [(FIRST, THIRD, (FIRST,))]
        undo(self.the_last(site, "fit"))
        undo(undone)
        assert self.told(site) == [(FIRST, SECOND, (FIRST,))]

    @pytest.mark.parametrize("reason", ["return_to_bin", "measure", "recover", "pull"])
    def test_what_brought_it_into_the_drawer(self, stored, work, undo, site, bins, reason):
        """Each act and all behind it taken back, and done again."""
        on_the_way = ["return_to_bin", "measure", "recover", "pull"]
        undone = [undo(self.the_last(site, reason)) for reason in on_the_way[: on_the_way.index(reason) + 1]]
        assert self.told(site) == []
        for movement in reversed(undone):
            undo(movement)
        work.fit(SECOND, fitted=[(2_634_000, bins[0])])
        assert self.told(site) == [(FIRST, SECOND, (FIRST,))]

    def test_a_pull_that_was_another_engine_s(self, work, undo, site, bins):
        work.fit(FIRST, pulled=[(2_650_000, Condition.UNMEASURED)])
        undo(self.the_last(site, "pull"))
        work.fit(SECOND, pulled=[(2_650_000, Condition.UNMEASURED)])
        work.store(SECOND, 2_650_000, 2_634_000)
        work.fit(THIRD, fitted=[(2_634_000, bins[0])])
        assert self.told(site) == [(SECOND, THIRD, (SECOND,))]

    def test_scrap_a_move_and_a_regrading(self, stored, work, undo, site, clerk, boss, family, bins):
        by = {"site": site, "actor": boss}

        def one(nm, place):
            return Shims(family=family, thickness_nm=nm, condition=Condition.USED, quantity=1, place=place)

        scrap_shims(**by, at=work.now(), source=bins[0], shims=[one(2_634_000, None)], note="worn")
        undo(self.the_last(site, "scrap"))
        move_shims(**by, at=work.now(), source=bins[0], shims=[one(2_634_000, bins[1])])
        undo(self.the_last(site, "move"))
        regrade_shims(
            **by, at=work.now(), found=one(2_634_000, bins[0]), measured=from_nm(2_640_000), note="read wrong"
        )
        undo(self.the_last(site, "regrade"))
        work.fit(SECOND, fitted=[(2_634_000, bins[0])])
        assert self.told(site) == [(FIRST, SECOND, (FIRST,))]

    def test_whoever_took_from_the_drawer_meanwhile_may_have_had_it(
        self, stored, work, undo, site, boss, family, bins
    ):
        away = Shims(
            family=family, thickness_nm=2_634_000, condition=Condition.USED, quantity=1, place=bins[1]
        )
        moved = move_shims(site=site, actor=boss, at=work.now(), source=bins[0], shims=[away])
        work.fit(SECOND, pulled=[(2_650_000, Condition.UNMEASURED)])
        work.store(SECOND, 2_650_000, 2_634_000)
        work.fit(THIRD, fitted=[(2_634_000, bins[0])])
        assert self.told(site) == [(SECOND, THIRD, (SECOND,))]
        undo(moved)
        assert self.told(site) == [(SECOND, THIRD, (FIRST, SECOND))]

    def test_a_call_back_from_another_site(self, stored, work, undo, site, other_site, boss, family, bins):
        sent = Shims(
            family=family, thickness_nm=2_634_000, condition=Condition.USED, quantity=1, place=bins[0]
        )
        parcel = send_shims(site=site, target=other_site, actor=boss, at=work.now(), shims=[sent])
        recall_transfer(transfer=parcel, actor=boss, at=work.now())
        take_back_arrival(
            transfer=parcel,
            movement=self.the_last(site, "arrive"),
            actor=boss,
            at=work.now(),
            note="it is still there",
        )
        recall_transfer(transfer=parcel, actor=boss, at=work.now())
        work.fit(SECOND, fitted=[(2_634_000, bins[0])])
        assert self.told(site) == [(FIRST, SECOND, (FIRST,))]
