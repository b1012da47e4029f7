"""Handing out, fitting, saying what really went in, signing off, stopping."""

import re

import pytest

from inventory.models import Hold, PlaceKind
from inventory.selectors.stock import content
from jobs.models import Fit, Job
from jobs.services.planning import plan_job
from tests.jobs.past import FOUND, TIGHT
from tests.jobs.shop import AT
from tests.ui.pages import fields_of, focused_field, text_of, wrong_fields

pytestmark = pytest.mark.django_db


def state(job):
    job.refresh_from_db()
    return job.state


def act(browser, name, job, **data):
    job.refresh_from_db()
    return browser.post(name, job.pk, **{"version": job.version} | data)


class TestHandOut:
    def test_moves_the_held_shims_to_the_tray(self, counter_screen, shop):
        job = shop.jobs["held"]
        page = act(counter_screen, "hand_out", job)
        assert state(job) == Job.State.OUT
        assert f"The shims are in tray {job.tray}." in text_of(page)
        assert "handed out, from bin" in text_of(page)

    def test_twice_is_refused_and_moves_nothing(self, counter_screen, shop):
        job = shop.jobs["held"]
        version = job.version
        act(counter_screen, "hand_out", job)
        second = counter_screen.post("hand_out", job.pk, version=version)
        assert second.status_code == 412
        third = act(counter_screen, "hand_out", job)
        assert third.status_code == 409
        assert content(shop.site, PlaceKind.TRAY).filter(place=job.tray).count() == 1


class TestFit:
    def test_as_planned_takes_one_button(self, bay_tablet, shop):
        job = shop.jobs["handed_out"]
        page = act(bay_tablet, "fit", job)
        assert page.redirect_chain == [(bay_tablet.address("readings", job.pk), 303)]
        assert "Turn the engine two full turns by hand, then measure again." in text_of(page)
        assert state(job) == Job.State.FITTED
        assert Fit.objects.get(valve__job=job).differs is False

    def test_straight_from_the_bins(self, bay_tablet, shop):
        act(bay_tablet, "fit", shop.jobs["held"])
        assert state(shop.jobs["held"]) == Job.State.FITTED

    def test_out_of_its_own_tray(self, bay_tablet, workshop):
        workshop.stock(("2.575", "new", 1))
        job = workshop.held(workshop.read(workshop.job(), TIGHT, FOUND))
        act(bay_tablet, "fit", job)
        plan_job(job=workshop.read(job, {"1-IN": "11 thou"}), actor=workshop.tech, at=AT)
        page = bay_tablet.get("plan", job.pk)
        assert "1 shim comes out of its tray." in text_of(page)
        assert "1-IN: gets 2.650 mm out of the tray" in text_of(page)
        job.refresh_from_db()
        bay_tablet.post("hold_plan", job.pk, job.plans.latest("number").pk, version=job.version)
        assert state(job) == Job.State.HELD
        said = text_of(bay_tablet.get("fitting", job.pk))
        assert f"tray {job.tray} 1-IN 2.650 mm used" in said
        assert "bought" not in said

    def test_something_else_with_a_reason(self, bay_tablet, shop, workshop):
        job = shop.jobs["held"]
        page = act(
            bay_tablet,
            "fit",
            job,
            **{
                "thickness-1-IN": "2.550",
                "condition-1-IN": "new",
                "source-1-IN": f"bin:{workshop.bin('2.550').code}",
                "reason-1-IN": "the planned one was bent",
            },
        )
        assert page.status_code == 200, text_of(page)
        fit = Fit.objects.get(valve__job=job)
        assert (fit.fitted_nm, fit.differs, fit.reason) == (2_550_000, True, "the planned one was bent")
        assert "not as planned: the planned one was bent" in text_of(bay_tablet.get("fitting", job.pk))

    def test_half_of_it_keyed_is_asked_for_and_kept(self, bay_tablet, shop):
        job = shop.jobs["held"]
        page = act(bay_tablet, "fit", job, **{"thickness-1-IN": "2.600", "condition-1-IN": "new"})
        assert page.status_code == 400
        assert wrong_fields(page) == ["source-1-IN", "reason-1-IN"]
        assert focused_field(page) == "source-1-IN"
        assert fields_of(page)["thickness-1-IN"] == "2.600"
        assert fields_of(page)["condition-1-IN"] == "new"
        assert '<details class="really" open>' in page.content.decode()
        assert state(job) == Job.State.HELD

    def test_what_is_not_there_is_said_at_its_field(self, bay_tablet, shop, workshop):
        job = shop.jobs["held"]
        page = act(
            bay_tablet,
            "fit",
            job,
            **{
                "thickness-1-IN": "2.550",
                "condition-1-IN": "used",
                "source-1-IN": f"bin:{workshop.bin('2.550').code}",
                "reason-1-IN": "looked better",
            },
        )
        assert page.status_code == 409
        assert wrong_fields(page) == ["thickness-1-IN"]
        assert "1 × 2.550 mm used asked from B02, 0 available." in text_of(page)
        assert fields_of(page)["reason-1-IN"] == "looked better"
        assert not Fit.objects.filter(valve__job=job).exists()

    def test_a_second_tap_fits_nothing_more(self, bay_tablet, shop):
        job = shop.jobs["handed_out"]
        version = job.version
        act(bay_tablet, "fit", job)
        second = bay_tablet.post("fit", job.pk, version=version)
        assert second.status_code == 412
        assert f"Somebody changed {job} since you opened it." in text_of(second)
        assert Fit.objects.filter(valve__job=job).count() == 1

    def test_without_its_version_nothing_is_done(self, bay_tablet, shop):
        page = bay_tablet.post("fit", shop.jobs["held"].pk)
        assert page.status_code == 400
        assert state(shop.jobs["held"]) == Job.State.HELD


class TestSignOff:
    def test_what_is_missing_is_named(self, bay_tablet, shop):
        job = shop.jobs["fitted"]
        assert "Not read since the fit: 1-IN" in text_of(bay_tablet.get("sign_off", job.pk))
        page = act(bay_tablet, "sign_off", job)
        assert page.status_code == 409
        assert "Not measured again since the fit: 1-IN." in text_of(page)

    def test_in_spec_it_is_signed_and_the_shim_goes_to_inspection(self, bay_tablet, shop, workshop):
        job = workshop.read(shop.jobs["fitted"], {"1-IN": "8 thou"})
        page = act(bay_tablet, "sign_off", job)
        assert page.status_code == 200
        assert "is signed off. What came out of the engine is at inspection." in text_of(page)
        assert state(job) == Job.State.SIGNED_OFF
        assert 2_650_000 in content(shop.site, PlaceKind.INSPECTION).values_list("thickness_nm", flat=True)

    def test_out_of_spec_it_takes_a_reason(self, bay_tablet, shop, workshop):
        job = workshop.read(shop.jobs["fitted"], {"1-IN": "11 thou"})
        page = act(bay_tablet, "sign_off", job)
        assert page.status_code == 409
        assert "1-IN (out of spec)" in text_of(page)
        assert state(job) == Job.State.FITTED
        act(bay_tablet, "sign_off", job, reason="customer agreed, head comes off next month")
        assert state(job) == Job.State.SIGNED_OFF
        assert "head comes off next month" in text_of(bay_tablet.get("job", job.pk))


class TestStop:
    def test_takes_a_reason_and_gives_the_shims_free(self, bay_tablet, shop):
        job = shop.jobs["held"]
        asked = act(bay_tablet, "stop", job, note=" ")
        assert asked.status_code == 400
        assert wrong_fields(asked) == ["note"]
        page = act(bay_tablet, "stop", job, note="crankcase cracked")
        assert "Stopped: crankcase cracked" in text_of(page)
        assert state(job) == Job.State.STOPPED
        assert Hold.objects.get(job_id=job.pk).state == Hold.State.RELEASED

    def test_is_not_the_counters(self, counter_screen, shop):
        assert counter_screen.get("stop", shop.jobs["held"].pk).status_code == 403


def test_the_sheet_on_paper_has_items_and_cautions(bay_tablet, shop):
    words = text_of(bay_tablet.get("paper", shop.jobs["held"].pk))
    assert "1 cover gasket" in words
    assert "2 half-moon seal a thin bead of sealant" in words
    assert "The engine is stone cold" in words
    assert "The engine maker’s service manual decides" in words
    assert "workshop sheet 12, invented" in words


def test_the_sheet_on_paper_says_what_was_fitted_and_not_what_a_later_plan_keeps(bay_tablet, shop, workshop):
    job = shop.jobs["fitted"]
    [row] = _rows_of(bay_tablet, job, "1-IN")
    assert row == ["1-IN", "0.006 in to 0.010 in", "5 thou", "Tight", "2.650", "Fitted", "2.575", ""]
    # A second plan keeps the valve: its row still is about the shim that came out, and what was felt then.
    workshop.read(job, {"1-IN": "8 thou", "2-EX": "15 thou"}, {"2-EX": "2.600 mm"})
    plan_job(job=job, actor=workshop.tech, at=AT)
    [row] = _rows_of(bay_tablet, job, "1-IN")
    assert row == ["1-IN", "0.006 in to 0.010 in", "5 thou", "Tight", "2.650", "Fitted", "2.575", "8 thou"]
    [row] = _rows_of(bay_tablet, job, "2-EX")
    assert row[2:5] == ["15 thou", "Loose", "2.600"]
    assert row[5] != "Fitted"
    assert row[7] == ""


def _rows_of(browser, job, label):
    """The cells of the valve's row on paper."""
    page = browser.get("paper", job.pk).content.decode()
    rows = re.findall(r"<tr><th.*?</tr>", page, re.DOTALL)
    cells = [[_bare(cell) for cell in re.findall(r"<t[hd].*?</t[hd]>", row, re.DOTALL)] for row in rows]
    return [row for row in cells if row[0] == label]


def _bare(cell):
    return " ".join(re.sub(r"<[^>]+>", " ", cell).split())
