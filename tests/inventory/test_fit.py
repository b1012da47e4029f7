"""Fit a job: what came out of the engine goes to the tray, what was fitted goes in, the holds resolve."""

from dataclasses import replace
from datetime import timedelta

import pytest

from inventory.models import HoldLine, Movement
from inventory.services.catalogue import add_bin
from inventory.services.fitting import Fitted, OneShim, fit_shims, recover_shims
from inventory.services.floor import receive_shims
from inventory.services.holds import Wanted, hand_out_hold, hold_shims, release_hold
from shop.errors import Forbidden, HoldExpired, Invalid, NotEnough, NotFound, Unprocessable, WrongState
from shop.ids import new_id
from tests.inventory.books import contents, count, in_bin, lines_of, refused

pytestmark = pytest.mark.django_db


def shim(place, **more):
    fields = {"family_id": place.family_id, "thickness_nm": place.size_nm, "condition": "new"} | more
    return OneShim(**fields)


@pytest.fixture
def job():
    return new_id()


@pytest.fixture
def make_hold(site, tech, at, job):
    def act(*lines, reference="Job 4", job=job):
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
        return hold_shims(site=site, actor=tech, at=at, lines=wanted, reference=reference, job_id=job)

    return act


@pytest.fixture
def hold(make_hold, bins, receive):
    receive(0, 3)
    receive(1, 2)
    return make_hold((bins[0], 2), (bins[1], 1))


@pytest.fixture
def fit(site, tech, at, tray, job):
    def act(*fitted, pulled=(), holds=(), actor=tech, at=at, tray=tray, site=site):
        return fit_shims(
            site=site,
            actor=actor,
            at=at,
            tray=tray,
            pulled=pulled,
            fitted=fitted,
            holds=holds,
            job_id=job,
            document="Job 4",
        )

    return act


@pytest.fixture
def from_hold(hold, bins):
    """The two shims of the first line and the one of the second."""
    first, second = hold.lines.order_by("position")
    return [
        Fitted(shim=shim(bins[0], pointer="/really/1-IN"), hold_line=first),
        Fitted(shim=shim(bins[0], pointer="/really/2-IN"), hold_line=first),
        Fitted(shim=shim(bins[1], pointer="/really/1-EX"), hold_line=second),
    ]


def test_pulled_and_fitted(fit, from_hold, hold, bins, tray, job, places):
    old = OneShim(family_id=bins[0].family_id, thickness_nm=2_580_000, condition="used")
    unknown = replace(old, thickness_nm=2_600_000, condition="unmeasured")
    pull, movement = fit(*from_hold, pulled=[old, old, unknown], holds=[hold])
    assert lines_of(pull) == [
        *[("engines", "2.580", "used", -1), ("T1", "2.580", "used", 1)] * 2,
        ("engines", "2.600", "unmeasured", -1),
        ("T1", "2.600", "unmeasured", 1),
    ]
    assert lines_of(movement) == [
        *[("A1", "2.625", "new", -1), ("engines", "2.625", "new", 1)] * 2,
        ("A2", "2.650", "new", -1),
        ("engines", "2.650", "new", 1),
    ]
    assert {(m.reason, m.job_id, m.document) for m in (pull, movement)} == {
        ("pull", job, "Job 4"),
        ("fit", job, "Job 4"),
    }
    assert contents(tray) == {("2.580", "used"): (2, 0), ("2.600", "unmeasured"): (1, 0)}
    assert (count(bins[0]), count(bins[1])) == ((1, 0), (1, 0))
    assert contents(places["engine"])[("2.625", "new")] == (2, 0)
    hold.refresh_from_db()
    assert (hold.state, list(hold.lines.values_list("fitted", flat=True))) == ("fitted", [2, 1])


def test_nothing_came_out(fit, from_hold, hold):
    pull, _ = fit(*from_hold, holds=[hold])
    assert pull is None
    assert not Movement.objects.filter(reason="pull").exists()


def test_what_was_not_fitted_is_free_again(fit, from_hold, hold, bins):
    """L8: partial use returns the rest, in the same transaction."""
    fit(from_hold[0], holds=[hold])
    assert (count(bins[0]), count(bins[1])) == ((2, 0), (2, 0))
    assert list(hold.lines.values_list("fitted", flat=True)) == [1, 0]


def test_from_the_tray_when_handed_out(fit, from_hold, hold, bins, tray, tech, at):
    """The rest stays in the tray, promised to nobody. The caller's copy of the lines may be older."""
    hand_out_hold(hold=hold, tray=tray, actor=tech, at=at)
    _, movement = fit(from_hold[0], from_hold[2], holds=[hold])
    assert lines_of(movement)[::2] == [("T1", "2.625", "new", -1), ("T1", "2.650", "new", -1)]
    assert contents(tray) == {("2.625", "new"): (1, 0)}


def test_a_swap_goes_through_the_tray(fit, bins, tray):
    """Two shims change valves: out of the engine and in again, nothing from stock."""
    own = [
        OneShim(family_id=bins[0].family_id, thickness_nm=nm, condition="used")
        for nm in (2_600_000, 2_640_000)
    ]
    fit(*[Fitted(shim=item) for item in own], pulled=own)
    assert contents(tray) == {}


def test_several_holds_resolve_together(fit, from_hold, hold, make_hold, bins, receive):
    receive(2, 1)
    bought = make_hold((bins[2], 1))
    extra = Fitted(shim=shim(bins[2]), hold_line=bought.lines.get())
    fit(*from_hold, extra, holds=[bought, hold])
    hold.refresh_from_db()
    bought.refresh_from_db()
    assert (hold.state, bought.state, count(bins[2])) == ("fitted", "fitted", (0, 0))


def test_a_shim_from_a_bin_that_nobody_held(fit, from_hold, hold, bins, receive):
    receive(3, 1)
    really = Fitted(shim=shim(bins[3], pointer="/really/1-IN"), source=bins[3])
    fit(really, from_hold[1], from_hold[2], holds=[hold])
    assert (count(bins[0]), count(bins[3])) == ((2, 0), (0, 0))


def test_not_one_that_is_held_for_others(fit, from_hold, hold, make_hold, bins, receive):
    receive(3, 1)
    make_hold((bins[3], 1), reference="Job 9", job=new_id())
    really = Fitted(shim=shim(bins[3], pointer="/really/1-IN"), source=bins[3])
    refused(
        NotEnough,
        lambda: fit(really, holds=[hold]),
        {"/really/1-IN": "1 × 2.700 mm new asked from A4, 0 available"},
    )


def test_but_one_whose_hold_is_overdue(fit, make_hold, bins, receive):
    receive(3, 1)
    other = make_hold((bins[3], 1), reference="Job 9", job=new_id())
    fit(Fitted(shim=shim(bins[3]), source=bins[3]), at=other.expires_at)
    other.refresh_from_db()
    assert (other.state, count(bins[3])) == ("expired", (0, 0))


def test_own_held_shims_count_as_there_for_a_shortage(fit, from_hold, hold, bins):
    """Three are there, two of them held for this job: four are one too many, and three is what it says."""
    more = [Fitted(shim=shim(bins[0], pointer=f"/really/{n}"), source=bins[0]) for n in (7, 8)]
    words = "4 × 2.625 mm new asked from A1, 3 available"
    refused(
        NotEnough,
        lambda: fit(*from_hold[:2], *more, holds=[hold]),
        {"/really/1-IN": words, "/really/2-IN": words, "/really/7": words, "/really/8": words},
    )


def test_more_than_was_held(fit, from_hold, hold):
    refused(
        Unprocessable,
        lambda: fit(
            *from_hold,
            replace(from_hold[0], shim=replace(from_hold[0].shim, pointer="/really/9")),
            holds=[hold],
        ),
        {"/really/9": "more than the 2 × 2.625 mm that are held"},
        says="Nothing was fitted",
    )


def test_another_shim_than_the_line_holds(fit, from_hold, hold, bins):
    wrong = replace(from_hold[0], shim=shim(bins[1], pointer="/really/1-IN"))
    refused(
        Unprocessable,
        lambda: fit(wrong, holds=[hold]),
        {"/really/1-IN": "2.650 mm was fitted, 2.625 mm is held"},
    )


def test_a_line_of_a_hold_that_was_not_named(fit, from_hold):
    refused(Unprocessable, lambda: fit(from_hold[0]), {"/really/1-IN": "is not held for this job"})


def test_nothing_fitted(fit, hold):
    refused(Unprocessable, lambda: fit(holds=[hold]), says="Nothing was fitted: release the hold instead.")


def test_twice(fit, from_hold, hold):
    fit(*from_hold, holds=[hold])
    refused(WrongState, lambda: fit(*from_hold, holds=[hold]), says="The hold for Job 4 is fitted already.")


def test_after_its_release(fit, from_hold, hold, tech, at):
    release_hold(hold=hold, actor=tech, at=at)
    refused(WrongState, lambda: fit(*from_hold, holds=[hold]), says="is released already")


def test_expiry_is_a_rule_and_not_a_job(fit, from_hold, hold, bins):
    """L7: nothing swept it, and its time is over; a second before it is good."""
    error = refused(HoldExpired, lambda: fit(*from_hold, holds=[hold], at=hold.expires_at))
    assert error.code == "hold-expired"
    fit(*from_hold, holds=[hold], at=hold.expires_at - timedelta(seconds=1))
    assert count(bins[0]) == (1, 0)


def test_places_of_this_site(fit, from_hold, hold, bins, places, other_site, service, family, at):
    there = add_bin(
        site=other_site, actor=service, at=at, code="Z9", cabinet="Z", row=1, column=1, family=family
    )
    foreign = Fitted(shim=shim(bins[0], pointer="/really/1-IN"), source=there)
    scrap = Fitted(shim=shim(bins[0], pointer="/really/2-IN"), source=places["scrap"])
    refused(
        Invalid,
        lambda: fit(foreign, scrap, holds=[hold]),
        {"/really/1-IN": "Z9 is no place of North Yard", "/really/2-IN": "scrap is no place of North Yard"},
    )
    refused(Invalid, lambda: fit(*from_hold, holds=[hold], tray=bins[3]), {"/tray": "A4 is no tray"})


def test_who(fit, from_hold, hold, clerk, stranger, boss, service, other_site):
    refused(Forbidden, lambda: fit(*from_hold, holds=[hold], actor=clerk), says="may not work on a job")
    refused(NotFound, lambda: fit(*from_hold, holds=[hold], actor=stranger))
    refused(NotFound, lambda: fit(*from_hold, holds=[hold], actor=stranger, site=other_site))
    fit(*from_hold, holds=[hold], actor=boss)


@pytest.fixture
def recover(site, tech, at, tray, job):
    def act(actor=tech):
        return recover_shims(site=site, actor=actor, at=at, tray=tray, job_id=job, document="Job 4")

    return act


def test_the_tray_is_cleared(fit, recover, from_hold, hold, bins, tray, tech, at, places, job):
    hand_out_hold(hold=hold, tray=tray, actor=tech, at=at)
    old = OneShim(family_id=bins[0].family_id, thickness_nm=2_580_000, condition="used")
    fit(
        from_hold[0], pulled=[old, replace(old, thickness_nm=2_600_000, condition="unmeasured")], holds=[hold]
    )
    movement = recover()
    assert movement.job_id == job
    assert contents(tray) == {}
    assert contents(places["inspection"]) == {("2.580", "used"): (1, 0), ("2.600", "unmeasured"): (1, 0)}
    assert contents(places["receiving"]) == {("2.625", "new"): (1, 0), ("2.650", "new"): (1, 0)}


def test_an_empty_tray_is_no_movement(recover):
    assert recover() is None


def test_cleared_twice(fit, recover, from_hold, hold, bins):
    old = OneShim(family_id=bins[0].family_id, thickness_nm=2_580_000, condition="used")
    fit(from_hold[0], pulled=[old], holds=[hold])
    assert recover() is not None
    assert recover() is None


def test_shims_that_are_still_held_stay_in_the_tray(recover, hold, tray, tech, at):
    hand_out_hold(hold=hold, tray=tray, actor=tech, at=at)
    error = refused(NotEnough, recover)
    assert "2 × 2.625 mm new asked from T1, 0 available" in error.message


def test_who_recovers(fit, recover, from_hold, hold, bins, clerk, stranger):
    old = OneShim(family_id=bins[0].family_id, thickness_nm=2_580_000, condition="used")
    fit(from_hold[0], pulled=[old], holds=[hold])
    refused(Forbidden, lambda: recover(actor=clerk))
    refused(NotFound, lambda: recover(actor=stranger))


def test_used_shims_are_fitted_at_their_measured_thickness(fit, bins, site, clerk, at):
    receive_shims(
        site=site,
        actor=clerk,
        at=at,
        shims=[in_bin(bins[0], 1, thickness_nm=2_631_400, condition="used")],
    )
    used = shim(bins[0], thickness_nm=2_631_400, condition="used")
    fit(Fitted(shim=used, source=bins[0]))
    assert not HoldLine.objects.exists()
    assert count(bins[0], 2_631_400, "used") == (0, 0)
