"""The board of holds, one hold, and what is done about it: extend, give free, take over."""

import pytest

from inventory.models import Hold, Place
from inventory.services.catalogue import add_tray
from inventory.services.holds import hand_out_hold
from inventory.services.take_over import take_over_hold
from tests.jobs.shop import AT, HOUR
from tests.ui.pages import fields_of, text_of, wrong_fields


@pytest.fixture
def held(shop):
    """The hold of the job whose shims are held, with its one line."""
    return Hold.objects.get(job_id=shop.jobs["held"].pk, state="held")


class TestBoard:
    def test_who_holds_what_until_when(self, bay_tablet, shop, held):
        words = text_of(bay_tablet.get("holds"))
        assert f"{held.reference} Wed 4 Mar 08:30 1 × 2.57" in words
        assert "handed out" in words
        assert "until 7 days after the promised or expected day" in words

    def test_found_by_family_and_holder(self, bay_tablet, shop, held):
        for query, count in (
            ({}, 2),
            ({"holder": held.reference}, 1),
            ({"holder": "nobody"}, 0),
            ({"family": "disc29"}, 2),
        ):
            rows = bay_tablet.get("holds", **query).content.decode().count('<th scope="row">')
            assert rows == count, query

    def test_found_by_the_bin_or_tray(self, bay_tablet, shop, held, boss):
        line = held.lines.get()
        taken_from = line.taken_from

        def found(place):
            return held.reference in text_of(bay_tablet.get("holds", place=place.pk))

        empty = Place.objects.filter(site=shop.site, kind="tray", hold_lines=None).first()
        assert found(taken_from)
        assert not found(empty)
        hand_out_hold(hold=held, tray=empty, actor=boss, at=AT)
        assert found(empty)
        assert found(taken_from)

    def test_a_place_of_another_site_is_none(self, bay_tablet, shop, held, other_site, service):
        there = add_tray(site=other_site, actor=service, code="T9")
        assert wrong_fields(bay_tablet.get("holds", place=there.pk)) == ["place"]

    def test_a_family_that_there_is_not_is_said(self, bay_tablet, shop):
        assert wrong_fields(bay_tablet.get("holds", family="none")) == ["family"]

    def test_what_is_over_is_said_to_be_over(self, office, shop, held):
        Hold.objects.filter(pk=held.pk).update(expires_at=AT)
        assert "over since" in text_of(office.get("holds"))
        page = office.get("hold", held.pk)
        assert "Take it over" not in text_of(page)

    def test_a_job_that_waits_for_a_purchase_is_marked(self, office, shop, held):
        mark = "08:30 waits for a purchase"
        assert mark not in text_of(office.get("holds"))
        Hold.objects.filter(pk=held.pk).update(job_id=shop.jobs["waiting"].pk)
        assert mark in text_of(office.get("holds"))
        Hold.objects.filter(pk=held.pk).update(job_id=shop.jobs["held"].pk)


class TestExtend:
    def test_until_another_time_from_now(self, bay_tablet, shop, held):
        asked = fields_of(bay_tablet.get("extend_hold", held.pk))
        assert asked["hours"] == "48"
        page = bay_tablet.post("extend_hold", held.pk, once=asked["once"], hours="72")
        held.refresh_from_db()
        assert held.expires_at.replace(second=0, microsecond=0) == AT + 73 * HOUR
        assert "until 05 Mar, 09:30" in text_of(page)

    def test_twice_is_once(self, bay_tablet, shop, held):
        asked = fields_of(bay_tablet.get("extend_hold", held.pk))
        for hours in ("72", "96"):
            bay_tablet.post("extend_hold", held.pk, once=asked["once"], hours=hours)
        held.refresh_from_db()
        assert held.expires_at.replace(second=0, microsecond=0) == AT + 73 * HOUR

    @pytest.mark.parametrize("hours", ["", "0", "-1", "9000", "soon", "1.5"])
    def test_bad_input(self, bay_tablet, shop, held, hours):
        asked = fields_of(bay_tablet.get("extend_hold", held.pk))
        page = bay_tablet.post("extend_hold", held.pk, once=asked["once"], hours=hours)
        assert page.status_code == 400
        assert wrong_fields(page) == ["hours"]

    def test_what_is_handed_out_no_longer_expires(self, bay_tablet, shop, held, tech):
        asked = fields_of(bay_tablet.get("extend_hold", held.pk))
        hand_out_hold(hold=held, tray=shop.jobs["held"].tray, actor=tech, at=AT)
        page = bay_tablet.post("extend_hold", held.pk, once=asked["once"], hours="72")
        assert page.status_code == 409
        assert "the hold no longer expires" in text_of(page)

    def test_another_sites(self, foreign, shop, held):
        assert foreign.post("extend_hold", held.pk, hours="72").status_code == 404


class TestRelease:
    def test_given_free(self, counter_screen, shop, held):
        asked = fields_of(counter_screen.get("release_hold", held.pk))
        page = counter_screen.post("release_hold", held.pk, once=asked["once"], note="other shims do")
        held.refresh_from_db()
        assert (held.state, held.note) == ("released", "other shims do")
        assert f"no longer held for {held.reference}" in text_of(page)
        assert "other shims do" in text_of(counter_screen.get("hold", held.pk))
        words = text_of(counter_screen.get("job", shop.jobs["held"].pk))
        assert "The plan is out of date." in words
        assert ": other shims do. Plan again." in words

    def test_one_that_is_over(self, counter_screen, shop, held):
        asked = fields_of(counter_screen.get("release_hold", held.pk))
        counter_screen.post("release_hold", held.pk, once=asked["once"])
        again = counter_screen.get("release_hold", held.pk)
        page = counter_screen.post("release_hold", held.pk, once=fields_of(again)["once"])
        assert page.status_code == 409
        assert "is released already" in text_of(page)


class TestTakeOver:
    def take(self, browser, held, **keyed):
        asked = fields_of(browser.get("take_over_hold", held.pk))
        data = {"once": asked["once"], "positions": ["0"], "reason": "leaves today"} | keyed
        return browser.post("take_over_hold", held.pk, **data)

    def test_the_job_that_lost_it_says_so(self, office, bay_tablet, shop, held):
        winner = shop.jobs["planned"]
        page = self.take(office, held, job=str(winner.pk))
        assert f"Held for {winner} now." in text_of(page)
        held.refresh_from_db()
        assert held.taken_over.taken.job_id == winner.pk
        words = text_of(bay_tablet.get("job", shop.jobs["held"].pk))
        assert "Shims taken over" in words
        assert f"held for {winner} instead: leaves today" in words
        assert "Mara Quist" in words
        assert "Shims taken over" not in text_of(bay_tablet.get("job", winner.pk))
        shop.jobs["held"].refresh_from_db()
        assert shop.jobs["held"].state == "planned"
        assert f"Taken over for {winner} by Mara Quist: leaves today." in words

    def test_for_something_else_than_a_job(self, office, shop, held):
        self.take(office, held, reference="order 12")
        assert Hold.objects.get(reference="order 12", state="held").job_id is None

    @pytest.mark.parametrize(
        ("keyed", "wrong"),
        [
            ({}, ["job"]),
            ({"reference": "order 12", "reason": ""}, ["reason"]),
            ({"job": "0190b0a0-0000-7000-8000-000000000000"}, ["job"]),
        ],
    )
    def test_bad_input(self, office, shop, held, keyed, wrong):
        page = self.take(office, held, **keyed)
        assert page.status_code == 400
        assert wrong_fields(page) == wrong
        held.refresh_from_db()
        assert held.state == "held"

    def test_no_shims_or_others_than_there_are(self, office, shop, held):
        for positions in ([], ["7"]):
            assert self.take(office, held, reference="order 12", positions=positions).status_code == 400
        held.refresh_from_db()
        assert held.state == "held"

    def test_only_a_manager(self, bay_tablet, counter_screen, shop, held):
        for browser in (bay_tablet, counter_screen):
            assert browser.get("take_over_hold", held.pk).status_code == 403
            assert browser.post("take_over_hold", held.pk).status_code == 403
            assert "Take it over" not in text_of(browser.get("hold", held.pk))

    def test_one_that_somebody_else_took_meanwhile(self, office, shop, held, boss):
        asked = fields_of(office.get("take_over_hold", held.pk))
        take_over_hold(hold=held, actor=boss, at=AT, reference="order 12", reason="sooner")
        page = office.post(
            "take_over_hold",
            held.pk,
            once=asked["once"],
            positions=["0"],
            reason="leaves today",
            reference="order 13",
        )
        assert page.status_code == 409
        assert "is released already" in text_of(page)


class TestByHand:
    """Shims of one bin set aside, for a job or for somebody else."""

    @pytest.fixture
    def place(self, shop):
        return Place.objects.get(code="B01", site=shop.site)

    def test_for_a_job(self, bay_tablet, shop, place):
        assert (
            bay_tablet.address("hold_by_hand", place.pk) in bay_tablet.get("bin", place.pk).content.decode()
        )
        before = place.balances.get(on_hand__gt=0).held
        asked = fields_of(bay_tablet.get("hold_by_hand", place.pk))
        lot = place.balances.get(on_hand__gt=0).pk
        job = shop.jobs["planned"]
        page = bay_tablet.post("hold_by_hand", place.pk, **asked | {"lot": lot, "job": job.pk})
        assert f"1 shim held for {job}." in text_of(page)
        bay_tablet.post("hold_by_hand", place.pk, **asked | {"lot": lot, "job": job.pk})
        for name in ("plan", "job"):
            words = text_of(bay_tablet.get(name, job.pk))
            assert "Held for this job by hand: 1 × " in words
            assert "A plan counts on what is held" in words
        hold = Hold.objects.get(job_id=job.pk, state="held")
        assert (hold.reference, hold.lines.get().quantity) == (str(job), 1)
        assert place.balances.get(on_hand__gt=0).held == before + 1

    def test_for_somebody_else_and_so_long(self, counter_screen, shop, place):
        asked = fields_of(counter_screen.get("hold_by_hand", place.pk))
        keyed = {"lot": place.balances.get(on_hand__gt=0).pk, "reference": "phone, Mr Berg", "hours": "3"}
        assert "1 shim held for phone, Mr Berg." in text_of(
            counter_screen.post("hold_by_hand", place.pk, **asked | keyed)
        )
        hold = Hold.objects.get(reference="phone, Mr Berg")
        assert hold.expires_at - hold.created_at == 3 * HOUR

    @pytest.mark.parametrize(
        ("keyed", "wrong"),
        [
            ({}, "job"),
            ({"reference": "phone", "quantity": "99"}, "quantity"),
            ({"reference": "phone", "hours": "99999"}, "hours"),
        ],
    )
    def test_what_cannot_be_held_is_said_at_its_field(self, counter_screen, shop, place, keyed, wrong):
        asked = fields_of(counter_screen.get("hold_by_hand", place.pk))
        lot = {"lot": place.balances.get(on_hand__gt=0).pk}
        page = counter_screen.post("hold_by_hand", place.pk, **asked | lot | keyed)
        assert wrong_fields(page) == [wrong]

    def test_beside_an_accepted_plan(self, bay_tablet, shop, place):
        """Fitting leaves it in its bin, and the page does not count it among what is handed out."""
        asked = fields_of(bay_tablet.get("hold_by_hand", place.pk))
        lot = place.balances.get(on_hand__gt=0)
        job = shop.jobs["held"]
        bay_tablet.post("hold_by_hand", place.pk, **asked | {"lot": lot.pk, "job": job.pk})
        for name in ("plan", "job", "fitting"):
            words = text_of(bay_tablet.get(name, job.pk))
            assert "It is beside the plan: handing out and fitting leave it there." in words
        assert words.count("still in") == 1
