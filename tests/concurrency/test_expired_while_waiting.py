"""A hold that ran out while somebody waited to act on it is over: others were told that it is."""

import threading
import time
from datetime import timedelta

import pytest
from django.db import connections

from inventory.models import Hold, Need
from inventory.services.fitting import Fitted, OneShim, fit_shims
from inventory.services.hold_times import keep_while_waiting
from inventory.services.holds import Wanted, extend_hold, hand_out_hold, hold_shims, release_hold
from inventory.services.outside_fit import fit_hold
from inventory.services.take_over import take_over_hold
from shop.db import atomic_write, write_transaction
from shop.errors import HoldExpired
from shop.ids import new_id
from tests.inventory.books import count

pytestmark = pytest.mark.django_db(transaction=True)

STANDS = timedelta(hours=1)
WAITS = timedelta(seconds=0.3)
JUST_BEFORE = timedelta(milliseconds=20)
JOB = new_id()


@pytest.fixture
def want(bins):
    return Wanted(
        place=bins[0], family_id=bins[0].family_id, thickness_nm=bins[0].size_nm, condition="new", quantity=2
    )


@pytest.fixture
def hold(receive, want, site, tech, at):
    receive(0, 2)

    def act(job_id=None):
        return hold_shims(
            site=site,
            actor=tech,
            at=at,
            lines=[want],
            reference="Order 7",
            job_id=job_id,
            expires_in=STANDS,
        )

    return act


@pytest.fixture
def while_locked():
    """Does an act in a thread of its own while somebody else has the hold, for a while; what came of it."""

    def run(hold, act, meanwhile=lambda: None):
        begins, come = threading.Event(), []

        def wait_and_act():
            begins.set()
            try:
                come.append(act())
            except Exception as error:
                come.append(error)
            finally:
                connections.close_all()

        other = threading.Thread(target=wait_and_act)
        with atomic_write():
            Hold.objects.select_for_update().get(pk=hold.pk)
            other.start()
            begins.wait(10)
            # What is waited for is the clock.
            time.sleep(WAITS.total_seconds())
            meanwhile()
        other.join(10)
        return come[0]

    return run


@pytest.fixture
def acts(site, tech, boss, tray, bins):
    shim = OneShim(family_id=bins[0].family_id, thickness_nm=bins[0].size_nm, condition="new")
    return {
        "extend": lambda hold, at: extend_hold(hold=hold, actor=tech, at=at, expires_in=STANDS),
        "release": lambda hold, at: release_hold(hold=hold, actor=tech, at=at),
        "hand out": lambda hold, at: hand_out_hold(hold=hold, tray=tray, actor=tech, at=at),
        "fit outside": lambda hold, at: fit_hold(hold=hold, actor=tech, at=at),
        "take over": lambda hold, at: take_over_hold(
            hold=hold, actor=boss, at=at, reference="Order 8", reason="a bay waits"
        ),
        "fit": lambda hold, at: fit_shims(
            site=site,
            actor=tech,
            at=at,
            tray=tray,
            pulled=[],
            fitted=[Fitted(shim=shim, hold_line=hold.lines.get())] * 2,
            holds=[hold],
            job_id=JOB,
            document="a job",
        ),
    }


ACTS = ["extend", "release", "hand out", "fit outside", "take over", "fit"]


@pytest.mark.parametrize("name", ACTS)
def test_over_by_then(name, acts, hold, while_locked, bins):
    held = hold()
    late = held.expires_at - JUST_BEFORE
    refused = while_locked(held, lambda: acts[name](held, late))
    assert isinstance(refused, HoldExpired), refused
    held.refresh_from_db()
    assert (held.state, held.version, count(bins[0])) == ("held", 1, (2, 2))


@pytest.mark.parametrize("name", ["extend", "fit"])
def test_not_over_by_then(name, acts, hold, while_locked, at):
    held = hold()
    assert not isinstance(while_locked(held, lambda: acts[name](held, at)), Exception)


@pytest.mark.parametrize("name", ACTS)
def test_taken_by_then(name, acts, hold, want, while_locked, bins, site, tech):
    """The books guard that by themselves, whatever the clock says: here the act came an hour before."""
    held = hold()
    after, before = held.expires_at + JUST_BEFORE, held.expires_at - STANDS
    refused = while_locked(
        held,
        lambda: acts[name](held, before),
        lambda: hold_shims(site=site, actor=tech, at=after, lines=[want], reference="Order 8"),
    )
    assert isinstance(refused, HoldExpired), refused
    assert (Hold.objects.get(reference="Order 8").state, count(bins[0])) == ("held", (2, 2))


def test_what_a_job_waits_for_revives_none(hold, while_locked, family, site, at):
    """Bought just before the hold for its job ran out."""
    held = hold(JOB)
    Need.objects.create(
        site=site, family=family, thickness_nm=2_600_000, job_id=JOB, job_label="Job 4", created_at=at
    )
    act = write_transaction(keep_while_waiting)
    late = held.expires_at - JUST_BEFORE
    assert while_locked(held, lambda: act(jobs=[JOB], at=late)) == 0
    held.refresh_from_db()
    assert held.expires_at == at + STANDS
    assert while_locked(held, lambda: act(jobs=[JOB], at=at)) == 1


@pytest.mark.sqlite
def test_whoever_waits_for_shims_has_those_of_a_hold_that_ran_out_meanwhile(
    hold, want, while_locked, bins, site, tech
):
    """On PostgreSQL nobody waits for the row of a hold that is not over when he looks."""
    held = hold()
    just_before = held.expires_at - JUST_BEFORE
    made = while_locked(
        held, lambda: hold_shims(site=site, actor=tech, at=just_before, lines=[want], reference="Order 8")
    )
    held.refresh_from_db()
    assert (made.state, held.state, count(bins[0])) == ("held", "expired", (2, 2))
