"""A hold under an outside reference, reported as fitted by the program that made it (L8)."""

from datetime import timedelta

import pytest

from inventory.models import Movement
from inventory.services.holds import Wanted, expire_due_holds, hand_out_hold, hold_shims, release_hold
from inventory.services.outside_fit import fit_hold
from shop.errors import HoldExpired, NotFound, Unprocessable, WrongState
from shop.ids import new_id
from tests.inventory.books import contents, count, lines_of, refused

pytestmark = pytest.mark.django_db


@pytest.fixture
def make_hold(site, tech, at):
    def act(*lines, **more):
        wanted = [
            Wanted(
                place=place,
                family_id=place.family_id,
                thickness_nm=place.size_nm,
                condition="new",
                quantity=quantity,
            )
            for place, quantity in lines
        ]
        return hold_shims(site=site, actor=tech, at=at, lines=wanted, reference="Order 9", **more)

    return act


@pytest.fixture
def hold(make_hold, bins, receive):
    receive(0, 5)
    receive(1, 2)
    return make_hold((bins[0], 4), (bins[1], 1))


@pytest.fixture
def fit(hold, tech, at):
    def act(fitted=None, actor=tech, at=at, hold=hold):
        return fit_hold(hold=hold, actor=actor, at=at, fitted=fitted)

    return act


def test_all_of_it(fit, bins, at):
    done = fit()
    movement = Movement.objects.get(reason="fit")
    assert lines_of(movement) == [
        ("A1", "2.625", "new", -4),
        ("engines", "2.625", "new", 4),
        ("A2", "2.650", "new", -1),
        ("engines", "2.650", "new", 1),
    ]
    assert (movement.document, movement.job_id) == ("Order 9", None)
    assert (done.state, done.resolved_at) == ("fitted", at)
    assert (count(bins[0]), count(bins[1])) == ((1, 0), (1, 0))
    assert list(done.lines.values_list("fitted", flat=True)) == [4, 1]


def test_hold_four_fit_three(fit, bins):
    """L8: one movement of three, one available again, the second line as well."""
    done = fit({0: 3})
    assert lines_of(Movement.objects.get(reason="fit")) == [
        ("A1", "2.625", "new", -3),
        ("engines", "2.625", "new", 3),
    ]
    assert (count(bins[0]), count(bins[1])) == ((2, 0), (2, 0))
    assert list(done.lines.values_list("fitted", flat=True)) == [3, 0]


def test_hold_four_fit_five(fit):
    error = refused(Unprocessable, lambda: fit({0: 5}), {"/lines/0": "5 fitted, 4 held"})
    assert error.status == 422
    assert error.message == "Nothing was booked: line 1: 5 fitted, 4 held."


@pytest.mark.parametrize(
    ("fitted", "errors"),
    [
        ({0: -1}, {"/lines/0": "-1 fitted; must be 0 to 4"}),
        ({7: 1}, {"/lines/7": "the hold has no such line"}),
        ({0: 9, 1: 2}, {"/lines/0": "9 fitted, 4 held", "/lines/1": "2 fitted, 1 held"}),
        ({0: 10**30}, {"/lines/0": "4 held"}),
    ],
)
def test_wrong_counts(fitted, errors, fit):
    refused(Unprocessable, lambda: fit(fitted), errors)


@pytest.mark.parametrize("fitted", [{}, {0: 0}, {0: 0, 1: 0}])
def test_nothing_fitted(fitted, fit):
    refused(Unprocessable, lambda: fit(fitted), says="Nothing was fitted: release the hold instead.")


def test_from_the_tray(fit, hold, tray, tech, at):
    hand_out_hold(hold=hold, tray=tray, actor=tech, at=at)
    fit({0: 4})
    assert contents(tray) == {("2.650", "new"): (1, 0)}


def test_twice(fit):
    fit()
    error = refused(WrongState, fit, says="The hold for Order 9 is fitted already.")
    assert error.extra == {"state": "fitted"}


def test_after_its_release(fit, hold, tech, at):
    release_hold(hold=hold, actor=tech, at=at)
    assert refused(WrongState, fit).extra == {"state": "released"}


def test_expired_whether_swept_or_not(fit, hold, site, at):
    """L7: with the sweeper stopped and the clock at the expiry; then swept."""
    assert refused(HoldExpired, lambda: fit(at=hold.expires_at)).code == "hold-expired"
    expire_due_holds(site=site, at=hold.expires_at)
    assert refused(HoldExpired, lambda: fit(at=at)).extra == {"state": "expired"}


def test_a_second_before_it_expires(fit, hold, site, bins):
    last = hold.expires_at - timedelta(seconds=1)
    assert expire_due_holds(site=site, at=last) == 0
    fit(at=last)
    assert count(bins[0]) == (1, 0)


def test_a_jobs_hold_is_fitted_as_a_job(fit, make_hold, bins):
    of_job = make_hold((bins[0], 1), job_id=new_id())
    refused(WrongState, lambda: fit(hold=of_job), says="a job of this shop: fit the job")


def test_who(fit, stranger, clerk):
    refused(NotFound, lambda: fit(actor=stranger))
    fit(actor=clerk)
