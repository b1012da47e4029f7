"""A plan that uses a part of what is held for its job by hand, and what acts on that plan do to the rest."""

from functools import partial

import pytest

from inventory.compute.lengths import parse_text
from inventory.models import Balance, Hold, HoldLine
from inventory.selectors.audit import audit
from inventory.selectors.stories import story_of_job
from inventory.services.holds import Wanted, hand_out_hold, hold_shims, release_hold
from jobs.models import Job, Plan
from jobs.selectors.jobs import job_sheet
from jobs.services import ending_holds
from jobs.services.fitting import ReallyFitted, fit_job
from jobs.services.handing_out import hand_out_job
from jobs.services.planning import accept_plan, release_plan
from jobs.services.shop_accepting import accept_shop_plan
from jobs.services.sign_off import sign_off_job
from jobs.services.stopping import stop_job
from jobs.services.waking import sweep_holds, wake_job
from shop.conf import conf
from shop.errors import WrongState
from tests.jobs.by_hand import BOTH, hold_by_hand, with_one_there
from tests.jobs.shop import AT, HOUR, NEW, USED
from tests.jobs.three_bays import actions as shop_actions
from tests.jobs.three_bays import made, three_bays

pytestmark = pytest.mark.django_db


@pytest.fixture
def job(workshop):
    return with_one_there(workshop)


@pytest.fixture
def hold(workshop, job):
    return partial(hold_by_hand, workshop, job)


def held_lines(job):
    rows = HoldLine.objects.filter(hold__job_id=job.pk, hold__state=Hold.State.HELD)
    return sorted(rows.values_list("label", "thickness_nm", "quantity"))


def held_in(place):
    return Balance.objects.get(place=place).held


def stands(place):
    """How many are there, and how many of them are held."""
    balance = Balance.objects.get(place=place)
    return balance.on_hand, balance.held


def two_and_two(workshop, job, **more):
    """Two of the 2.575 mm that the plan wants, and two of a size that no plan wants, in one hold by hand."""
    workshop.stock(("2.575", USED, 3), ("3.100", USED, 2))
    lines = [
        Wanted(
            place=workshop.bins[thickness],
            family_id=workshop.family.pk,
            thickness_nm=nm,
            condition=USED,
            quantity=quantity,
        )
        for thickness, nm, quantity in (("2.575", 2_575_000, 3), ("3.100", 3_100_000, 2))
    ]
    by = {"site": workshop.site, "actor": workshop.tech, "at": AT}
    return hold_shims(**by, lines=lines, reference="by hand", job_id=job.pk, **more)


BESIDE = [("", 2_575_000, 1), ("", 3_100_000, 2)]
TAKEN = [("1-IN", 2_575_000, 1), ("2-IN", 2_575_000, 1)]


class TestPartOfAHold:
    """What was found by using it: a plan took one shim of a hold, and acts on it took the rest along."""

    @pytest.fixture
    def by_hand(self, workshop, job):
        return two_and_two(workshop, job, expires_in=HOUR)

    @pytest.fixture
    def accepted(self, workshop, job, by_hand, tech):
        return accept_plan(plan=workshop.planned(job), actor=tech, at=AT)

    def beside(self, by_hand):
        by_hand.refresh_from_db()
        rows = by_hand.lines.order_by("thickness_nm")
        return (by_hand.state, sorted(rows.values_list("label", "thickness_nm", "quantity")))

    def test_only_that_part_is_the_plan_s(self, accepted, by_hand, job):
        assert self.beside(by_hand) == (Hold.State.HELD, BESIDE)
        assert (by_hand.expires_at, by_hand.reference) == (AT + HOUR, "by hand")
        mine = accepted.hold
        assert (mine.job_id, mine.reference, mine.expires_at) == (job.pk, str(job), AT + conf.hold_time)
        assert sorted(mine.lines.values_list("label", "thickness_nm", "quantity")) == TAKEN
        assert audit() == []

    def test_when_its_time_is_over_the_plan_keeps_its_own(self, accepted, by_hand, job, workshop):
        sweep_holds(site=workshop.site, at=AT + 2 * HOUR)
        by_hand.refresh_from_db()
        job.refresh_from_db()
        assert (by_hand.state, job.state) == (Hold.State.EXPIRED, Job.State.HELD)
        assert audit() == []

    def test_releasing_the_plan_frees_only_that(self, accepted, by_hand, workshop, tech):
        release_plan(job=accepted.job, actor=tech, at=AT)
        assert self.beside(by_hand) == (Hold.State.HELD, BESIDE)
        assert (held_in(workshop.bins["2.575"]), held_in(workshop.bins["3.100"])) == (1, 2)
        assert audit() == []

    @pytest.mark.parametrize("carried", [True, False], ids=["handed out", "straight from the bins"])
    def test_fitting_leaves_the_rest_in_its_drawers(self, accepted, by_hand, job, workshop, tech, carried):
        if carried:
            hand_out_job(job=accepted.job, actor=tech, at=AT)
            assert held_in(job.tray) == 2
        fit_job(job=accepted.job, actor=tech, at=AT)
        assert self.beside(by_hand) == (Hold.State.HELD, BESIDE)
        assert stands(workshop.bins["3.100"]) == (2, 2)
        assert stands(workshop.bins["2.575"]) == (2, 1)
        assert set(accepted.hold.lines.values_list("fitted", flat=True)) == {1}
        assert audit() == []

    def test_signing_off_frees_the_rest_and_says_so(self, accepted, by_hand, job, workshop, tech):
        fit_job(job=accepted.job, actor=tech, at=AT)
        fitted = workshop.read(job, {"1-IN": "8 thou", "2-IN": "8 thou"})
        signed = sign_off_job(job=fitted, actor=tech, at=AT, reason="as good as it gets")
        assert self.beside(by_hand)[0] == Hold.State.RELEASED
        said = signed.events.get(act="holds_ended").text
        assert said == (
            "No longer held for it by hand: 1 × 2.575 mm used, bin B01; 2 × 3.100 mm used, bin B02."
        )
        assert stands(workshop.bins["3.100"]) == (2, 0)
        assert audit() == []

    def test_stopping_frees_all_and_says_so(self, accepted, job, workshop, boss):
        stopped = stop_job(job=accepted.job, actor=boss, at=AT, note="sold")
        assert "2 × 3.100 mm used, bin B02" in stopped.events.get(act="holds_ended").text
        assert not Hold.objects.filter(state=Hold.State.HELD).exists()
        assert audit() == []

    def test_one_of_the_rest_went_in_all_the_same(self, accepted, by_hand, job, workshop, tech):
        """It was held by hand for this very job: whoever says so may have fitted it."""
        really = ReallyFitted(
            thickness=parse_text("3.100 mm"), condition=USED, source="bin:B02", reason="the other was scored"
        )
        fitted = fit_job(job=accepted.job, actor=tech, at=AT, really={"2-IN": really})
        assert self.beside(by_hand) == (Hold.State.HELD, [("", 2_575_000, 1), ("", 3_100_000, 1)])
        assert Balance.objects.get(place=workshop.bins["3.100"]).on_hand == 1
        assert f"Not used, in tray {job.tray}: 1 × 2.575 mm." in fitted.events.last().text
        story = story_of_job(workshop.site, job.pk, at=AT).whole()
        told = [row.text for row in story if row.what == "Hold fitted"]
        assert f" for {job}; not used: 1 × 2.575 mm in {job.tray.code}" in told[-1]
        assert audit() == []


def test_what_was_put_into_its_tray_by_hand_stays_there_until_it_is_signed_off(job, workshop, tech):
    by_hand = two_and_two(workshop, job)
    hand_out_hold(hold=by_hand, tray=job.tray, actor=tech, at=AT)
    accepted = accept_plan(plan=workshop.planned(job), actor=tech, at=AT)
    fit_job(job=accepted.job, actor=tech, at=AT)
    assert held_lines(job) == BESIDE
    sign_off_job(
        job=workshop.read(job, {"1-IN": "8 thou", "2-IN": "8 thou"}), actor=tech, at=AT, reason="good"
    )
    assert stands(workshop.bins["3.100"]) == (2, 0)
    assert audit() == []


def test_what_is_held_by_hand_after_the_plan_was_accepted_is_beside_it(job, workshop, hold, tech):
    workshop.stock(("2.575", USED, 3))
    accepted = accept_plan(plan=workshop.planned(job), actor=tech, at=AT)
    by_hand = hold()
    out = hand_out_job(job=accepted.job, actor=tech, at=AT)
    assert (held_in(workshop.bins["2.575"]), held_in(job.tray)) == (1, 2)
    release_plan(job=out, actor=tech, at=AT)
    by_hand.refresh_from_db()
    assert (by_hand.state, held_in(workshop.bins["2.575"])) == (Hold.State.HELD, 1)
    assert audit() == []


def test_a_hold_that_none_was_fitted_of_is_not_fitted(job, workshop, hold, tech):
    accepted = accept_plan(plan=workshop.planned(job), actor=tech, at=AT)
    assert accepted.job.state == Job.State.WAITING
    release_plan(job=accepted.job, actor=tech, at=AT)
    workshop.stock(("2.575", USED, 2), ("2.600", USED, 2))
    one = hold()
    accepted = accept_plan(plan=workshop.planned(job), actor=tech, at=AT)
    really = ReallyFitted(
        thickness=parse_text("2.600 mm"), condition=USED, source="bin:B02", reason="both were scored"
    )
    fit_job(job=accepted.job, actor=tech, at=AT, really=dict.fromkeys(BOTH, really))
    one.refresh_from_db()
    assert (one.state, one.note) == (Hold.State.RELEASED, f"Not used: free again, in {job.tray.code}")
    ends = [row for row in story_of_job(workshop.site, job.pk, at=AT).whole() if row.what == "Hold fitted"]
    assert ends == []
    assert audit() == []


class TestTheJobThatLosesThem:
    @pytest.fixture
    def held(self, workshop, job, tech):
        workshop.stock(("2.575", USED, 1))
        return accept_plan(plan=workshop.planned(job), actor=tech, at=AT)

    def test_a_take_over_is_seen_at_once(self, held, job, boss):
        ending_holds.take_over_hold(
            hold=held.hold, actor=boss, at=AT, reference="shelf", reason="it waits outside"
        )
        job.refresh_from_db()
        held.refresh_from_db()
        assert (job.state, held.state) == (Job.State.PLANNED, Plan.State.STALE)
        said = f"Taken over for shelf by {boss.label}: it waits outside."
        assert said in held.stale_because
        assert said in job.events.get(act="hold_lost").text
        assert said in job_sheet(job).next
        with pytest.raises(WrongState, match="it is planned and nothing is held yet"):
            hand_out_job(job=job, actor=boss, at=AT)
        assert audit() == []

    def test_so_is_one_that_was_given_free(self, held, job, boss):
        ending_holds.release_hold(hold=held.hold, actor=boss, at=AT, note="sold over the counter")
        job.refresh_from_db()
        assert job.state == Job.State.PLANNED
        assert f"Given free by {boss.label}: sold over the counter." in job.events.last().text
        assert audit() == []

    def test_one_that_no_plan_counts_on_changes_nothing(self, held, job, workshop, hold, boss):
        workshop.stock(("2.575", USED, 1))
        beside = hold()
        ending_holds.take_over_hold(hold=beside, actor=boss, at=AT, reference="shelf", reason="sooner")
        job.refresh_from_db()
        assert job.state == Job.State.HELD
        assert audit() == []


@pytest.mark.django_db(transaction=True)
def test_what_is_beside_a_plan_that_is_made_anew_is_its_job_s_alone(workshop, tech, boss):
    """A size that bay 1 wants comes, and is held for another bay by hand, then for bay 1 itself."""
    jobs = three_bays(workshop)
    accept_shop_plan(plan=made(workshop, tech), actor=tech, at=AT)
    workshop.stock(("2.825", NEW, 1))
    line = Wanted(
        place=workshop.bins["2.825"],
        family_id=workshop.family.pk,
        thickness_nm=2_825_000,
        condition=NEW,
        quantity=1,
    )
    by = {"site": workshop.site, "actor": workshop.tech, "at": AT}
    first = hold_shims(**by, lines=[line], reference="by hand", job_id=jobs[2].pk)
    assert shop_actions(made(workshop, boss, move_accepted=True))[1]["2-IN"] != "stock"
    release_hold(hold=first, actor=tech, at=AT)
    second = hold_shims(**by, lines=[line], reference="by hand", job_id=jobs[0].pk)
    plan = made(workshop, boss, move_accepted=True)
    assert shop_actions(plan)[1]["2-IN"] == "stock"
    accept_shop_plan(plan=plan, actor=boss, at=AT)
    second.refresh_from_db()
    assert (second.state, second.lines.get().label) == (Hold.State.HELD, "2-IN")
    assert stands(workshop.bins["2.825"]) == (1, 1)
    assert audit() == []


def test_what_a_manager_takes_over_beside_what_a_job_waits_for_is_not_handed_out(job, workshop, tech, boss):
    """One of the two meets the job's need, and is its plan's; the other is held for it by hand."""
    accepted = accept_plan(plan=workshop.planned(job), actor=tech, at=AT)
    assert accepted.job.state == Job.State.WAITING
    workshop.stock(("2.575", NEW, 2))
    line = Wanted(
        place=workshop.bins["2.575"],
        family_id=workshop.family.pk,
        thickness_nm=2_575_000,
        condition=NEW,
        quantity=2,
    )
    by = {"site": workshop.site, "actor": tech, "at": AT}
    two = hold_shims(**by, lines=[line], reference="order 9")
    ending_holds.take_over_hold(
        hold=two, actor=boss, at=AT, reference=str(job), reason="it waits outside", job_id=job.pk
    )
    assert wake_job(job_id=job.pk, at=AT) == Job.State.HELD
    hand_out_job(job=accepted.job, actor=tech, at=AT)
    assert held_lines(job) == [("", 2_575_000, 1), ("1-IN", 2_575_000, 1), ("2-IN", 2_575_000, 1)]
    left = Balance.objects.get(place=workshop.bins["2.575"], condition=NEW)
    assert (left.on_hand, left.held) == (1, 1)
    assert audit() == []
