"""The reading sheet: figures as they were keyed, a verdict at once, corrections with their history."""

import re

import pytest

from jobs.models import ClearanceReading
from jobs.services.readings import key_clearances
from tests.jobs.shop import AT, feel
from tests.ui.pages import fields_of, text_of, wrong_fields

pytestmark = pytest.mark.django_db


@pytest.fixture
def job(workshop):
    return workshop.job()


def sheet(browser, job, **keyed):
    """The sheet as it stands, with some fields keyed over."""
    return fields_of(browser.get("readings", job.pk)) | {
        name.replace("__", "-", 1).replace("_", "-"): value for name, value in keyed.items()
    }


def keyed(job):
    return {
        reading.valve.label: (reading.passes_keyed, reading.stops_keyed)
        for reading in ClearanceReading.objects.filter(valve__job=job).order_by("sequence")
    }


def test_the_whole_sheet_is_kept_and_shown_again_as_it_was_keyed(bay_tablet, job):
    data = sheet(bay_tablet, job) | {
        "passes-1-IN": "8",
        "passes-1-EX": "0.0120 in",
        "stops-1-EX": ".013 in",
        "passes-2-IN": "0.20mm",
        "passes-2-EX": "11.50",
    }
    page = bay_tablet.post("readings", job.pk, **data)
    assert page.status_code == 200
    assert keyed(job) == {
        "1-IN": ("8 thou", "9 thou"),
        "1-EX": ("0.0120 in", ".013 in"),
        "2-IN": ("0.20 mm", "0.21 mm"),
        "2-EX": ("11.50 thou", "12.50 thou"),
    }
    shown = fields_of(page)
    assert [shown[f"passes-{label}"] for label in ("1-IN", "1-EX", "2-IN", "2-EX")] == [
        "8",
        "0.0120 in",
        "0.20 mm",
        "11.50",
    ]
    # Behind a figure that brings its own unit the sheet's must not stand: "0.20 mm thou" is no length.
    own = re.findall(r'name="passes-([^"]+)"[^>]* data-own-unit', page.content.decode())
    assert own == ["1-EX", "2-IN"]
    # The leaf that stops was meant, not keyed: its field stays empty, the next leaf stands there in grey.
    assert shown["stops-1-IN"] == ""
    assert shown["stops-1-EX"] == ".013 in"


def test_the_verdict_stands_beside_each_field(bay_tablet, job):
    page = bay_tablet.post(
        "readings",
        job.pk,
        **sheet(bay_tablet, job)
        | {"passes-1-IN": "5", "passes-1-EX": "15", "passes-2-IN": "10", "passes-2-EX": "12"},
    )
    words = text_of(page)
    assert all(verdict in words for verdict in ("Tight", "Loose", "At the limit", "In spec"))
    html = page.content.decode()
    # Colour, shape and word, so that none of the three is needed (W2).
    assert 'class="verdict verdict-tight"><svg class="mark mark-tight"' in html


def test_one_field_is_kept_by_itself(bay_tablet, job):
    answer = bay_tablet.send_one(
        "readings", "passes-1-IN", job.pk, **{"passes-1-IN": "5", "stops-1-IN": "", "was-1-IN": "0"}
    )
    assert answer.status_code == 200
    assert keyed(job) == {"1-IN": ("5 thou", "6 thou")}
    html = answer.content.decode()
    assert html.startswith('<div class="say" id="say-1-IN"')
    assert "Tight" in text_of(answer)
    assert 'name="was-1-IN" value="1"' in html


def test_what_comes_along_with_one_field_is_not_looked_at(bay_tablet, job, tech):
    """A field that is kept while the one before it is still on its way must not be told that it is stale."""
    stale = sheet(bay_tablet, job) | {"passes-1-IN": "5", "passes-1-EX": "13"}
    bay_tablet.send_one("readings", "passes-1-IN", job.pk, **stale)
    answer = bay_tablet.send_one("readings", "passes-1-EX", job.pk, **stale)
    assert answer.status_code == 200
    assert keyed(job) == {"1-IN": ("5 thou", "6 thou"), "1-EX": ("13 thou", "14 thou")}


def test_a_wrong_figure_is_named_at_its_field_and_stays_there(bay_tablet, job):
    data = sheet(bay_tablet, job) | {"passes-1-IN": "8 mm", "passes-1-EX": "12", "stops-2-EX": "7"}
    page = bay_tablet.post("readings", job.pk, **data)
    assert page.status_code == 400
    assert keyed(job) == {}
    shown = fields_of(page)
    assert shown["passes-1-IN"] == "8 mm"
    assert shown["passes-1-EX"] == "12"
    assert shown["stops-2-EX"] == "7"
    assert wrong_fields(page) == ["passes-2-EX"]
    assert "Key in the leaf that passes as well." in text_of(page)
    page = bay_tablet.post("readings", job.pk, **data | {"stops-2-EX": ""})
    assert page.status_code == 400
    assert wrong_fields(page) == ["passes-1-IN"]
    assert "8 thou" in text_of(page)  # what was probably meant
    assert keyed(job) == {}


@pytest.mark.parametrize(
    ("passes", "stops", "field", "says"),
    [
        ("8,5", "", "passes", "write 8.5 with a point"),
        ("8 furlong", "", "passes", "furlong"),
        ("eight", "", "passes", "is not a length"),
        ("8", "8", "stops", "is not thicker than the one that passes"),
        ("8", "7", "stops", "is not thicker than the one that passes"),
        ("-1", "", "passes", "key in 0"),
        ("300", "", "passes", "not plausible"),
        ("1e3", "", "passes", "exponent"),
        ("0.20", "", "passes", "0.20 mm was probably meant"),
        ("8", "0.25", "stops", "0.25 mm was probably meant"),
        ("8" * 41, "", "passes", "is too long"),
    ],
)
def test_what_is_wrong_and_what_would_be_right(bay_tablet, job, passes, stops, field, says):
    data = {"passes-1-IN": passes, "stops-1-IN": stops, "was-1-IN": "0"}
    page = bay_tablet.post("readings", job.pk, **data)
    assert page.status_code == 400
    assert wrong_fields(page) == [f"{field}-1-IN"]
    assert says in text_of(page)
    assert fields_of(page)["passes-1-IN"] == passes
    answer = bay_tablet.send_one("readings", f"{field}-1-IN", job.pk, **data)
    assert answer.status_code == 400
    assert says in text_of(answer)
    assert keyed(job) == {}


def test_no_clearance_is_taken_and_said(bay_tablet, job):
    answer = bay_tablet.send_one(
        "readings", "passes-1-IN", job.pk, **{"passes-1-IN": "0", "stops-1-IN": "", "was-1-IN": "0"}
    )
    assert "no clearance" in text_of(answer)


def test_a_correction_keeps_what_stood_there(bay_tablet, job):
    bay_tablet.post("readings", job.pk, **sheet(bay_tablet, job) | {"passes-1-IN": "5"})
    page = bay_tablet.post("readings", job.pk, **sheet(bay_tablet, job) | {"passes-1-IN": "6"})
    assert keyed(job)["1-IN"] == ("6 thou", "7 thou")
    assert ClearanceReading.objects.filter(valve__job=job).count() == 2
    words = text_of(page)
    assert "5 thou passes" in words
    assert "6 thou passes" in words


def test_a_sheet_sent_again_unchanged_changes_nothing(bay_tablet, job):
    bay_tablet.post("readings", job.pk, **sheet(bay_tablet, job) | {"passes-1-IN": "5"})
    job.refresh_from_db()
    version = job.version
    page = bay_tablet.post("readings", job.pk, **sheet(bay_tablet, job))
    assert "Everything that was keyed in is kept." in text_of(page)
    job.refresh_from_db()
    assert job.version == version
    assert ClearanceReading.objects.filter(valve__job=job).count() == 1


def test_a_reading_is_not_taken_away(bay_tablet, job):
    bay_tablet.post("readings", job.pk, **sheet(bay_tablet, job) | {"passes-1-IN": "5"})
    page = bay_tablet.post("readings", job.pk, **sheet(bay_tablet, job) | {"passes-1-IN": ""})
    assert page.status_code == 400
    assert "not taken away" in text_of(page)


class TestTwoTablets:
    def test_on_different_valves_do_not_disturb_each_other(self, bay_tablet, office, job, tech):
        stale = sheet(bay_tablet, job)
        key_clearances(job=job, actor=tech, at=AT, readings={"2-IN": feel("9 thou")})
        page = bay_tablet.post("readings", job.pk, **stale | {"passes-1-IN": "7"})
        assert page.status_code == 200
        assert keyed(job) == {"1-IN": ("7 thou", "8 thou"), "2-IN": ("9 thou", "10 thou")}

    def test_on_the_same_valve_the_second_is_told(self, bay_tablet, job, tech):
        stale = sheet(bay_tablet, job) | {"passes-1-IN": "7"}
        key_clearances(job=job, actor=tech, at=AT, readings={"1-IN": feel("5 thou")})
        page = bay_tablet.post("readings", job.pk, **stale)
        assert page.status_code == 400
        assert "Ines Varga keyed in 5 thou here meanwhile." in text_of(page)
        shown = fields_of(page)
        assert shown["passes-1-IN"] == "7"
        assert keyed(job)["1-IN"] == ("5 thou", "6 thou")
        # Sent again it is meant.
        assert bay_tablet.post("readings", job.pk, **shown).status_code == 200
        assert keyed(job)["1-IN"] == ("7 thou", "8 thou")


def test_while_a_plan_rests_on_them_readings_cannot_be_changed(bay_tablet, shop):
    job = shop.jobs["held"]
    shown = fields_of(bay_tablet.get("readings", job.pk))
    page = bay_tablet.post("readings", job.pk, **shown | {"passes-1-IN": "7"})
    assert page.status_code == 409
    assert "Release the plan first" in text_of(page)
    assert fields_of(page)["passes-1-IN"] == "7"


def test_the_counter_looks_and_does_not_key(counter_screen, job):
    page = counter_screen.get("readings", job.pk)
    assert "readonly" in page.content.decode()
    assert "Keep, on to the shims" not in text_of(page)


def test_after_a_fit_only_the_opened_valves_are_empty(bay_tablet, shop):
    page = bay_tablet.get("readings", shop.jobs["fitted"].pk)
    shown = fields_of(page)
    assert shown["passes-1-IN"] == ""
    assert shown["passes-2-IN"] == "8"
    assert "two full turns" in text_of(page)
    bay_tablet.post("readings", shop.jobs["fitted"].pk, **shown | {"passes-1-IN": "8", "then": "sign_off"})
    reading = ClearanceReading.objects.get(valve__job=shop.jobs["fitted"], round=1)
    assert (reading.valve.label, reading.passes_keyed) == ("1-IN", "8 thou")


def test_leaves_in_hundredths(bay_tablet, shop):
    job = shop.jobs["open"]
    bay_tablet.post(
        "readings", job.pk, **fields_of(bay_tablet.get("readings", job.pk)) | {"passes-1-IN": "0.20"}
    )
    assert keyed(job)["1-IN"] == ("0.20 mm", "0.21 mm")
