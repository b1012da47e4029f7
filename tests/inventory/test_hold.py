"""Hold shims for a job or an outside reference; extend, release."""

from datetime import timedelta

import pytest

from inventory.models import Hold
from inventory.services.catalogue import add_bin
from inventory.services.holds import (
    LONGEST,
    Wanted,
    expire_due_holds,
    extend_hold,
    hand_out_hold,
    hold_shims,
    release_hold,
)
from shop.conf import conf
from shop.errors import HoldExpired, Invalid, NotEnough, NotFound, WrongState
from shop.ids import new_id
from tests.inventory.books import count, refused

pytestmark = pytest.mark.django_db
SECOND = timedelta(seconds=1)


def want(place, quantity=1, **more):
    fields = {"family_id": place.family_id, "thickness_nm": place.size_nm, "condition": "new"} | more
    return Wanted(place=place, quantity=quantity, **fields)


@pytest.fixture
def hold(site, tech, at, bins, receive):
    receive(0, 3)
    receive(1, 2)

    def act(*lines, actor=tech, at=at, reference="Job 4", **more):
        lines = lines or [want(bins[0], 2, label="2-IN-L")]
        return hold_shims(site=site, actor=actor, at=at, lines=lines, reference=reference, **more)

    return act


def test_what_is_written(hold, bins, at):
    job = new_id()
    made = hold(want(bins[0], 2, label="2-IN-L"), want(bins[1], 1, label="2-EX"), job_id=job, note="urgent")
    assert (made.state, made.reference, made.job_id, made.note) == ("held", "Job 4", job, "urgent")
    assert (made.created_at, made.created_by) == (at, "Ines Varga")
    assert made.expires_at == at + conf.hold_time
    rows = made.lines.values_list(
        "position", "place__code", "taken_from__code", "quantity", "fitted", "label"
    )
    assert list(rows) == [(0, "A1", "A1", 2, 0, "2-IN-L"), (1, "A2", "A2", 1, 0, "2-EX")]
    assert (count(bins[0]), count(bins[1])) == ((3, 2), (2, 1))


def test_held_shims_are_not_held_twice(hold, bins):
    hold()
    error = refused(
        NotEnough,
        lambda: hold(),
        {"/lines/0": "2 × 2.625 mm new asked from A1, 1 available"},
        says="Plan again",
    )
    assert error.message == ("Nothing was held: 2 × 2.625 mm new asked from A1, 1 available. Plan again.")


def test_all_or_nothing(hold, bins):
    refused(
        NotEnough,
        lambda: hold(want(bins[1], 2), want(bins[0], 4), want(bins[2], 1)),
        {
            "/lines/1": "4 × 2.625 mm new asked from A1, 3 available",
            "/lines/2": "1 × 2.675 mm new asked from A3, 0 available",
        },
    )
    assert (count(bins[0]), count(bins[1])) == ((3, 0), (2, 0))


def test_two_lines_of_one_bin_are_counted_together(hold, bins):
    words = "4 × 2.625 mm new asked from A1, 3 available"
    refused(
        NotEnough,
        lambda: hold(want(bins[0], 2), want(bins[0], 2)),
        {"/lines/0": words, "/lines/1": words},
    )
    hold(want(bins[0], 2), want(bins[0], 1))
    assert count(bins[0]) == (3, 3)


@pytest.mark.parametrize("quantity", [0, -1, 100_001, 10**30])
def test_a_quantity_out_of_bounds(quantity, hold, bins):
    refused(Invalid, lambda: hold(want(bins[0], quantity)), {"/lines/0/quantity": "must be 1 to 100,000"})


def test_what_can_be_held(hold, bins, places, other_site, service, family, at):
    there = add_bin(
        site=other_site, actor=service, at=at, code="Z9", cabinet="Z", row=1, column=1, family=family
    )
    foreign = want(there, thickness_nm=2_650_000)
    receiving = want(places["receiving"], family_id=family.id, thickness_nm=2_650_000)
    bins[2].retired_at = at
    refused(
        Invalid,
        lambda: hold(foreign, receiving, want(bins[2]), want(bins[0], condition="unmeasured")),
        {
            "/lines/0/bin": "Z9 is no bin in use at North Yard",
            "/lines/1/bin": "receiving is no bin in use",
            "/lines/2/bin": "A3 is no bin in use",
            "/lines/3/condition": "must be measured before it is held",
        },
    )


def test_words(hold, bins):
    refused(Invalid, lambda: hold(reference=" "), {"/reference": "must name a job or an order"})
    refused(Invalid, lambda: hold(reference="x" * 81), {"/reference": "80 is the most"})
    refused(Invalid, lambda: hold(note="x" * 401), {"/note": "400 is the most"})
    refused(Invalid, lambda: hold(want(bins[0], label="x" * 41)), {"/lines/0/label": "40 is the most"})


@pytest.mark.parametrize("number", [0, 251])
def test_too_many_lines_or_none(number, site, bins, receive, tech, at):
    lines = [want(bins[0])] * number
    refused(
        Invalid,
        lambda: hold_shims(site=site, actor=tech, at=at, lines=lines, reference="Job 4"),
        {"/lines": "must have 1 to 250 lines"},
    )


def test_a_hold_of_the_most_lines_can_be_handed_out(hold, bins, tray, tech, at, receive):
    receive(0, 250)
    made = hold(*[want(bins[0])] * 250)
    hand_out_hold(hold=made, tray=tray, actor=tech, at=at)
    assert count(tray, bins[0].size_nm) == (250, 250)


def test_open_holds_of_a_job(hold, bins, service, site, at):
    job = new_id()
    first = hold(want(bins[0]), job_id=job)
    Hold.objects.bulk_create(
        Hold(
            site=site,
            job_id=job,
            reference="Job 4",
            created_at=at,
            created_by="raw",
            expires_at=first.expires_at,
        )
        for _ in range(198)
    )
    hold(want(bins[0]), job_id=job)
    refused(
        Invalid, lambda: hold(want(bins[0]), job_id=job), says="may have 200 open holds; release some first"
    )
    hold(want(bins[0]), job_id=new_id())
    hold(want(bins[1]))
    release_hold(hold=first, actor=service, at=at)
    hold(want(bins[0]), job_id=job)


@pytest.mark.parametrize("expires_in", [timedelta(0), -SECOND, LONGEST + SECOND, timedelta.max])
def test_how_long_a_hold_may_stand(expires_in, hold, tech, at):
    refused(Invalid, lambda: hold(expires_in=expires_in), {"/expires_in": "at most 365 days"})
    made = hold()
    refused(
        Invalid,
        lambda: extend_hold(hold=made, actor=tech, at=at, expires_in=expires_in),
        {"/expires_in": "above 0"},
    )


def test_everybody_of_the_site_holds(hold, clerk, boss, stranger):
    hold(actor=clerk, reference="Order 9")
    refused(NotFound, lambda: hold(actor=stranger))


def test_the_next_one_gets_what_an_overdue_hold_promised(hold, bins):
    """L7, with no sweep: the request that wants the shims expires the hold first."""
    first = hold(want(bins[0], 3))
    refused(NotEnough, lambda: hold(want(bins[0], 2), at=first.expires_at - SECOND))
    hold(want(bins[0], 2), at=first.expires_at + SECOND)
    first.refresh_from_db()
    assert (first.state, first.resolved_at) == ("expired", first.expires_at)
    assert count(bins[0]) == (3, 2)


def test_a_shortage_counts_what_overdue_holds_gave_free(hold, bins):
    first = hold(want(bins[0], 3))
    error = refused(NotEnough, lambda: hold(want(bins[0], 4), at=first.expires_at))
    assert "3 available" in error.message
    first.refresh_from_db()
    assert first.state == "held"


def test_extend(hold, tech, at, bins):
    made = hold()
    extended = extend_hold(hold=made, actor=tech, at=at + SECOND, expires_in=timedelta(days=9))
    assert extended.expires_at == at + SECOND + timedelta(days=9)
    assert extended.version == made.version + 1
    assert expire_due_holds(site=made.site, at=made.expires_at) == 0


def test_extending_too_late(hold, tech, stranger):
    made = hold()
    refused(NotFound, lambda: extend_hold(hold=made, actor=stranger, at=made.created_at, expires_in=SECOND))
    error = refused(
        HoldExpired,
        lambda: extend_hold(hold=made, actor=tech, at=made.expires_at, expires_in=SECOND),
        says="The hold for Job 4 has expired; its shims are free for others. Hold them again.",
    )
    assert (error.code, error.extra) == ("hold-expired", {"state": "expired"})


def test_a_hold_that_was_handed_out_needs_no_extending(hold, tray, tech, at):
    made = hand_out_hold(hold=hold(), tray=tray, actor=tech, at=at)
    refused(
        WrongState,
        lambda: extend_hold(hold=made, actor=tech, at=at, expires_in=SECOND),
        says="handed out: the hold no longer expires",
    )


def test_release(hold, tech, at, bins):
    made = hold()
    released = release_hold(hold=made, actor=tech, at=at + SECOND, note="other shims do")
    assert (released.state, released.resolved_at, released.resolved_by) == (
        "released",
        at + SECOND,
        tech.label,
    )
    assert (released.note, count(bins[0])) == ("other shims do", (3, 0))


def test_release_twice(hold, tech, at):
    made = hold()
    release_hold(hold=made, actor=tech, at=at)
    error = refused(
        WrongState,
        lambda: release_hold(hold=made, actor=tech, at=at),
        says="The hold for Job 4 is released already.",
    )
    assert error.extra == {"state": "released"}


def test_releasing_too_late(hold, tech, at):
    made = hold()
    refused(HoldExpired, lambda: release_hold(hold=made, actor=tech, at=made.expires_at))
    expire_due_holds(site=made.site, at=made.expires_at)
    refused(HoldExpired, lambda: release_hold(hold=made, actor=tech, at=at))


def test_who_releases(hold, clerk, stranger, at):
    made = hold()
    refused(NotFound, lambda: release_hold(hold=made, actor=stranger, at=at))
    refused(Invalid, lambda: release_hold(hold=made, actor=clerk, at=at, note="x" * 401), {"/note": "400"})
    release_hold(hold=made, actor=clerk, at=at)


def test_the_sweep(hold, bins, at):
    short = hold(want(bins[0], 1), expires_in=timedelta(hours=1))
    hold(want(bins[0], 2))
    assert expire_due_holds(site=short.site, at=short.expires_at - SECOND) == 0
    assert expire_due_holds(site=short.site, at=short.expires_at) == 1
    assert expire_due_holds(site=short.site, at=short.expires_at) == 0
    assert count(bins[0]) == (3, 2)
    short.refresh_from_db()
    assert (short.state, short.resolved_by, short.resolved_at) == ("expired", "Coldgap", short.expires_at)


def test_the_sweep_leaves_other_sites_and_handed_out_shims(hold, tray, tech, at, other_site):
    out = hand_out_hold(hold=hold(), tray=tray, actor=tech, at=at)
    late = at + timedelta(days=900)
    assert expire_due_holds(site=out.site, at=late) == 0
    assert expire_due_holds(site=other_site, at=late) == 0
    assert Hold.objects.get().state == "held"
