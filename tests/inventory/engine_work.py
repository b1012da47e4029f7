"""What jobs do to used shims, act by act, and what is told of where they went."""

import uuid
from datetime import timedelta

import pytest

from inventory.compute.lengths import from_nm
from inventory.models import Condition
from inventory.selectors import traced_books
from inventory.selectors.journeys import traced_shims
from inventory.services.fitting import Fitted, OneShim, fit_shims, recover_shims
from inventory.services.floor import Shims, return_to_bin
from inventory.services.inspecting import inspect_shim

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


def told(shims):
    return [(shim.into.pk, shim.nth, shim.from_job, shim.to_job, shim.could_be) for shim in shims]


def anew(site, **asked):
    """What is told by a process that has traced nothing yet."""
    traced_books._shelf = traced_books._Shelf()
    return told(traced_shims(site, **asked))
