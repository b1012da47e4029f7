"""A shim taken out of one engine and put into another, found again in the books."""

import uuid
from datetime import timedelta

import pytest

from inventory.compute.lengths import from_nm
from inventory.models import Condition
from inventory.selectors.journeys import traced_shims
from inventory.services.fitting import Fitted, OneShim, fit_shims, recover_shims
from inventory.services.floor import Shims, count_in, return_to_bin
from inventory.services.inspecting import inspect_shim

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
    assert len(shim.via) == 4


def test_a_swap_within_one_engine_can_be_left_out(work, site, family, tray):
    work.fit(FIRST, pulled=[(2_634_000, Condition.USED)], fitted=[(2_634_000, tray)])
    assert [shim.same_engine for shim in traced_shims(site, family)] == [True]
    assert traced_shims(site, family, same_engine=False) == []
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
    assert traced_shims(site) == found


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
    assert traced_shims(other_site, family) == []
